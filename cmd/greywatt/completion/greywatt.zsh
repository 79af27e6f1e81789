#compdef greywatt
# Completion of greywatt for zsh: source <(greywatt completion zsh)
_greywatt() {
	local -a found
	local candidate
	for candidate in ${(f)"$($words[1] completion words "${(@)words[2,CURRENT]}" 2>/dev/null)"}; do
		case $candidate in
		:files) _files ;;
		:dirs) _files -/ ;;
		*) found+=("$candidate") ;;
		esac
	done
	(( $#found )) && compadd -- $found
}
compdef _greywatt greywatt
