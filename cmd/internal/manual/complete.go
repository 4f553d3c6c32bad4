package manual

import (
	"fmt"
	"strings"
)

func (p Program) verbs() []string {
	var out []string
	for _, v := range p.Verbs {
		out = append(out, v.Name)
	}
	return out
}

// Bash writes a completion for bash.
func (p Program) Bash() string {
	var b strings.Builder
	fmt.Fprintf(&b, `# bash completion for %[1]s; made from its command line.
_%[1]s() {
  local cur=${COMP_WORDS[COMP_CWORD]} prev=${COMP_WORDS[COMP_CWORD-1]} verb= words= i
  COMPREPLY=()
  # bash takes --flag=value apart at the sign.
  if [[ $prev == = ]]; then prev=${COMP_WORDS[COMP_CWORD-2]}; fi
  if [[ $cur == = ]]; then cur=; fi
  for ((i = 1; i < COMP_CWORD; i++)); do
    if [[ ${COMP_WORDS[i]} != -* ]]; then verb=${COMP_WORDS[i]}; break; fi
  done
  case $verb in
`, p.Name)
	fmt.Fprintf(&b, "  '') words='%s --help' ;;\n", strings.Join(p.verbs(), " "))
	for _, v := range p.Verbs {
		fmt.Fprintf(&b, "  %s)\n    case $prev in\n", v.Name)
		flags := []string{"--help"}
		for _, f := range v.Flags {
			flags = append(flags, "--"+f.Long)
			if f.Takes == "" {
				continue
			}
			names := "--" + f.Long
			if f.Short != "" {
				names += "|-" + f.Short
			}
			fmt.Fprintf(&b, "    %s) %s ;;\n", names, bashOffer(offers(f.Takes, f.Words), f.Words))
		}
		b.WriteString("    esac\n")
		if len(v.Args) > 0 {
			if a := v.Args[0]; offers(a.Takes, a.Words) != nothing {
				fmt.Fprintf(&b, "    if [[ $cur != -* ]]; then %s; fi\n", bashOffer(offers(a.Takes, a.Words), a.Words))
			}
		}
		fmt.Fprintf(&b, "    words='%s' ;;\n", strings.Join(flags, " "))
	}
	fmt.Fprintf(&b, `  esac
  mapfile -t COMPREPLY < <(compgen -W "$words" -- "$cur")
}
complete -F _%[1]s %[1]s
`, p.Name)
	return b.String()
}

func bashOffer(o offer, words []string) string {
	switch o {
	case listed:
		return fmt.Sprintf(`mapfile -t COMPREPLY < <(compgen -W '%s' -- "$cur"); return`, strings.Join(words, " "))
	case files:
		return `compopt -o filenames; mapfile -t COMPREPLY < <(compgen -f -- "$cur"); return`
	case folders:
		return `compopt -o filenames; mapfile -t COMPREPLY < <(compgen -d -- "$cur"); return`
	}
	return "return"
}

// Zsh writes a completion for zsh.
func (p Program) Zsh() string {
	var b strings.Builder
	fmt.Fprintf(&b, "#compdef %[1]s\n# zsh completion for %[1]s; made from its command line.\n\n_%[1]s() {\n  local -a verbs\n  verbs=(\n", p.Name)
	for _, v := range p.Verbs {
		fmt.Fprintf(&b, "    %s\n", single(v.Name+":"+strings.ReplaceAll(v.Help, ":", `\:`)))
	}
	b.WriteString("  )\n  if (( CURRENT == 2 )); then\n    _describe verb verbs\n    return\n  fi\n  local verb=$words[2]\n  shift words\n  (( CURRENT-- ))\n  case $verb in\n")
	for _, v := range p.Verbs {
		fmt.Fprintf(&b, "  %s)\n    _arguments \\\n      %s", v.Name, single("--help[Show help]"))
		for _, f := range v.Flags {
			many := ""
			if f.Many {
				many = "*"
			}
			help := "[" + zshText(f.Help) + "]"
			sign, value := "", ""
			if f.Takes != "" {
				sign, value = "=", ":"+zshText(f.Takes)+":"+zshOffer(offers(f.Takes, f.Words), f.Words)
			}
			fmt.Fprintf(&b, " \\\n      %s", single(many+"--"+f.Long+sign+help+value))
			if f.Short != "" {
				fmt.Fprintf(&b, " \\\n      %s", single(many+"-"+f.Short+help+value))
			}
		}
		for _, a := range v.Args {
			optional := ":"
			if a.Optional {
				optional = "::"
			}
			fmt.Fprintf(&b, " \\\n      %s", single(optional+zshText(a.Name)+":"+zshOffer(offers(a.Takes, a.Words), a.Words)))
		}
		b.WriteString("\n    ;;\n")
	}
	fmt.Fprintf(&b, "  esac\n}\n\n_%[1]s \"$@\"\n", p.Name)
	return b.String()
}

func zshOffer(o offer, words []string) string {
	switch o {
	case listed:
		return "(" + strings.Join(words, " ") + ")"
	case files:
		return "_files"
	case folders:
		return "_files -/"
	}
	return " "
}

// zshText escapes what _arguments reads as its own signs.
func zshText(s string) string {
	return strings.NewReplacer(`\`, `\\`, "[", `\[`, "]", `\]`, ":", `\:`).Replace(s)
}

// Fish writes a completion for fish.
func (p Program) Fish() string {
	var b strings.Builder
	fmt.Fprintf(&b, "# fish completion for %[1]s; made from its command line.\ncomplete -c %[1]s -f\n", p.Name)
	fmt.Fprintf(&b, "set -l verbs %s\n", strings.Join(p.verbs(), " "))
	for _, v := range p.Verbs {
		fmt.Fprintf(&b, "complete -c %s -n \"not __fish_seen_subcommand_from $verbs\" -a %s -d %s\n", p.Name, v.Name, fishText(v.Help))
	}
	for _, v := range p.Verbs {
		seen := fmt.Sprintf("complete -c %s -n '__fish_seen_subcommand_from %s'", p.Name, v.Name)
		fmt.Fprintf(&b, "%s -l help -d 'Show help'\n", seen)
		for _, f := range v.Flags {
			fmt.Fprintf(&b, "%s -l %s", seen, f.Long)
			if f.Short != "" {
				fmt.Fprintf(&b, " -s %s", f.Short)
			}
			if f.Takes != "" {
				if o := offers(f.Takes, f.Words); o == files {
					b.WriteString(" -r" + fishOffer(o, nil))
				} else {
					b.WriteString(" -x" + fishOffer(o, f.Words)) // -r alone offers files as well
				}
			}
			fmt.Fprintf(&b, " -d %s\n", fishText(f.Help))
		}
		for _, a := range v.Args {
			if o := offers(a.Takes, a.Words); o != nothing {
				fmt.Fprintf(&b, "%s%s\n", seen, fishOffer(o, a.Words))
			}
		}
	}
	return b.String()
}

func fishOffer(o offer, words []string) string {
	switch o {
	case listed:
		return " -a '" + strings.Join(words, " ") + "'"
	case files:
		return " -F"
	case folders:
		return " -a '(__fish_complete_directories)'"
	}
	return ""
}

// single quotes for sh, bash and zsh.
func single(s string) string { return "'" + strings.ReplaceAll(s, "'", `'\''`) + "'" }

func fishText(s string) string {
	return "'" + strings.NewReplacer(`\`, `\\`, "'", `\'`).Replace(s) + "'"
}
