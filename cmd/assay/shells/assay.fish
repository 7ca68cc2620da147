# Completion of assay in fish. Made by: assay completion fish
function __assay_complete
    set -l words (commandline -opc) (commandline -ct)
    for line in ($words[1] completion fish -- $words[2..-1] 2>/dev/null)
        set -l parts (string split -m 1 \t -- $line)
        if test "$parts[1]" = :files
            set -l typed (string sub -s (math 1 + (string length -- "$parts[2]")) -- $words[-1])
            for file in (__fish_complete_path $typed)
                echo -- "$parts[2]$file"
            end
        else
            echo -- $line
        end
    end
end
complete -c assay -f -a '(__assay_complete)'
