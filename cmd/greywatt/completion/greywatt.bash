# Completion of greywatt for bash: source <(greywatt completion bash)
_greywatt() {
	local cur=${COMP_WORDS[COMP_CWORD]} line=${COMP_LINE:0:COMP_POINT} IFS=$' \t\n'
	local words word shown candidate
	read -ra words <<<"$line"
	[[ $line == *[[:space:]] ]] && words+=("")
	word=${words[${#words[@]} - 1]}
	# bash parts words at = and : as well; what it holds to be the word's
	# beginning must not be repeated
	[[ $cur == [=:] ]] && cur=
	shown=${word%"$cur"}
	COMPREPLY=()
	IFS=$'\n'
	for candidate in $("${words[0]}" completion words "${words[@]:1}" 2>/dev/null); do
		case $candidate in
		:files)
			compopt -o filenames 2>/dev/null
			COMPREPLY+=($(compgen -f -- "$cur"))
			;;
		:dirs)
			compopt -o filenames 2>/dev/null
			COMPREPLY+=($(compgen -d -- "$cur"))
			;;
		*) COMPREPLY+=("${candidate#"$shown"}") ;;
		esac
	done
}
complete -F _greywatt greywatt
