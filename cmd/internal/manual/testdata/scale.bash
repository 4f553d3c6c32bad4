# bash completion for scale; made from its command line.
_scale() {
  local cur=${COMP_WORDS[COMP_CWORD]} prev=${COMP_WORDS[COMP_CWORD-1]} verb= words= i
  COMPREPLY=()
  # bash takes --flag=value apart at the sign.
  if [[ $prev == = ]]; then prev=${COMP_WORDS[COMP_CWORD-2]}; fi
  if [[ $cur == = ]]; then cur=; fi
  for ((i = 1; i < COMP_CWORD; i++)); do
    if [[ ${COMP_WORDS[i]} != -* ]]; then verb=${COMP_WORDS[i]}; break; fi
  done
  case $verb in
  '') words='weigh table --help' ;;
  weigh)
    case $prev in
    --config|-c) compopt -o filenames; mapfile -t COMPREPLY < <(compgen -f -- "$cur"); return ;;
    --unit) mapfile -t COMPREPLY < <(compgen -W 'g kg' -- "$cur"); return ;;
    --into) compopt -o filenames; mapfile -t COMPREPLY < <(compgen -d -- "$cur"); return ;;
    --note) return ;;
    esac
    words='--help --config --unit --into --note --json' ;;
  table)
    case $prev in
    esac
    if [[ $cur != -* ]]; then mapfile -t COMPREPLY < <(compgen -W 'points doses' -- "$cur"); return; fi
    words='--help' ;;
  esac
  mapfile -t COMPREPLY < <(compgen -W "$words" -- "$cur")
}
complete -F _scale scale
