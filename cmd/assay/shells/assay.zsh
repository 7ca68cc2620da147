#compdef assay
# Completion of assay in zsh. Made by: assay completion zsh
_assay() {
	local line value about
	local -a plain open described
	for line in "${(@f)$("${(Q)words[1]}" completion zsh -- "${(@Q)words[2,CURRENT]}" 2>/dev/null)}"; do
		value=${line%%$'\t'*} about=
		[[ $line != *$'\t'* ]] || about=${line#*$'\t'}
		if [[ -z $value ]]; then
			continue
		elif [[ $value == :files ]]; then
			compset -P "${(b)about}"
			_files
			return
		elif [[ $value == *= ]]; then
			open+=("${value//:/\\:}:$about")
		else
			described+=("${value//:/\\:}:$about")
		fi
	done
	_describe -t assay-open assay open -S '' -- described
}
if [[ $funcstack[1] == _assay ]]; then
	_assay "$@"
else
	compdef _assay assay
fi
