# Completion of assay in bash. Made by: assay completion bash
#
# Bash takes = and : for ends of words. Here they are put together again, and what stands
# before the last of them is taken off the answers.
_assay() {
	local i line value about before words=()
	COMPREPLY=()
	for ((i = 1; i <= COMP_CWORD; i++)); do
		if ((${#words[@]})) && [[ ${COMP_WORDS[i]} == [=:]* || ${words[-1]} == *[=:] && ${COMP_WORDS[i - 1]} == [=:]* ]]; then
			words[-1]+=${COMP_WORDS[i]}
		else
			words+=("${COMP_WORDS[i]}")
		fi
	done
	before=${words[-1]%"${words[-1]##*[=:]}"}
	while IFS= read -r line; do
		value=${line%%$'\t'*} about=
		[[ $line != *$'\t'* ]] || about=${line#*$'\t'}
		if [[ $value == :files ]]; then
			compopt -o filenames 2>/dev/null
			while IFS= read -r value; do
				COMPREPLY+=("$value")
			done < <(compgen -f -- "${words[-1]#"$about"}")
		else
			COMPREPLY+=("${value#"$before"}")
			[[ $value != *= ]] || compopt -o nospace 2>/dev/null
		fi
	done < <("${COMP_WORDS[0]/#\~/$HOME}" completion bash -- "${words[@]}" 2>/dev/null)
}
complete -F _assay assay
