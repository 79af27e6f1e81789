# Completion of greywatt for fish:
# greywatt completion fish > ~/.config/fish/completions/greywatt.fish
function __greywatt_candidates
    set -l words (commandline -opc)
    set -l word (commandline -ct)
    for candidate in ($words[1] completion words $words[2..-1] "$word" 2>/dev/null)
        switch $candidate
            case :files
                __fish_complete_path "$word"
            case :dirs
                __fish_complete_directories "$word"
            case '*'
                echo $candidate
        end
    end
end
complete -c greywatt -f -a '(__greywatt_candidates)'
