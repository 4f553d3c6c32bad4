# fish completion for scale; made from its command line.
complete -c scale -f
set -l verbs weigh table
complete -c scale -n "not __fish_seen_subcommand_from $verbs" -a weigh -d 'Record a weight: gross, in g.'
complete -c scale -n "not __fish_seen_subcommand_from $verbs" -a table -d 'Write a table. It\'s short.'
complete -c scale -n '__fish_seen_subcommand_from weigh' -l help -d 'Show help'
complete -c scale -n '__fish_seen_subcommand_from weigh' -l config -s c -r -F -d 'Site file: \'the\' one [YAML].'
complete -c scale -n '__fish_seen_subcommand_from weigh' -l unit -x -a 'g kg' -d 'g or kg.'
complete -c scale -n '__fish_seen_subcommand_from weigh' -l into -x -a '(__fish_complete_directories)' -d 'Where to.'
complete -c scale -n '__fish_seen_subcommand_from weigh' -l note -x -d 'What is worth knowing; may be given again.'
complete -c scale -n '__fish_seen_subcommand_from weigh' -l json -d 'Print JSON.'
complete -c scale -n '__fish_seen_subcommand_from table' -l help -d 'Show help'
complete -c scale -n '__fish_seen_subcommand_from table' -a 'points doses'
complete -c scale -n '__fish_seen_subcommand_from table' -F
