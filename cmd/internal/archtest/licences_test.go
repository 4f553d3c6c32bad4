package archtest

import (
	"flag"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"
)

var licencesTo = flag.String("licences", "", "write the licences of all that is linked to this file, as the packages do")

// linked lists the modules that the program is linked from, by path, with their
// version and directory.
func linked(t *testing.T) (out []module) {
	t.Helper()
	cmd := exec.Command("go", "list", "-deps", "-f", "{{with .Module}}{{if not .Main}}{{.Path}}\t{{.Version}}\t{{.Dir}}{{end}}{{end}}", "./cmd/dwindle")
	cmd.Dir, cmd.Stderr = root, os.Stderr
	text, err := cmd.Output()
	require.NoError(t, err)
	for line := range strings.Lines(string(text)) {
		if f := strings.Split(strings.TrimSpace(line), "\t"); len(f) == 3 {
			out = append(out, module{f[0], f[1], f[2]})
		}
	}
	slices.SortFunc(out, func(a, b module) int { return strings.Compare(a.path, b.path) })
	return slices.Compact(out)
}

type module struct{ path, version, dir string }

// Every module that is linked into the program has a permissive licence. Its
// texts and notices go with the packages.
func TestLicencesOfWhatIsLinkedArePermissive(t *testing.T) {
	modules := linked(t)
	require.NotEmpty(t, modules)
	var head, texts strings.Builder
	for _, m := range modules {
		files, err := os.ReadDir(m.dir)
		require.NoError(t, err)
		var names []string
		choice, chosen := LicenceChoice[m.path]
		for _, f := range files {
			terms, notice := licenceFile(f.Name())
			terms = terms && !chosen || f.Name() == choice
			if f.IsDir() || !terms && !notice {
				continue
			}
			text, err := os.ReadFile(filepath.Join(m.dir, f.Name()))
			require.NoError(t, err)
			name := Licence(string(text))
			// Texts beside the main one tell of parts; they may be notices.
			if terms && (strings.HasPrefix(strings.ToUpper(f.Name()), "COPYING") || strings.HasPrefix(f.Name(), "LICENSE") && !strings.Contains(f.Name(), "-") || f.Name() == choice) {
				require.NotEmpty(t, name, "%s: no allowed licence in %s", m.path, f.Name())
				names = append(names, name)
			}
			fmt.Fprintf(&texts, "\n%s\n%s %s, %s\n%s\n\n%s\n", strings.Repeat("=", 72), m.path, m.version, f.Name(), strings.Repeat("=", 72), strings.TrimSpace(string(text)))
		}
		require.NotEmpty(t, names, "%s has no licence file", m.path)
		fmt.Fprintf(&head, "%-40s %-42s %s\n", m.path, m.version, strings.Join(names, ", "))
	}
	t.Log("\n" + head.String())
	if *licencesTo != "" {
		goRoot, err := exec.Command("go", "env", "GOROOT").Output()
		require.NoError(t, err)
		own, err := os.ReadFile(filepath.Join(strings.TrimSpace(string(goRoot)), "LICENSE"))
		require.NoError(t, err)
		require.Equal(t, "BSD-3-Clause", Licence(string(own)))
		text := "What the program is linked from, and under which terms. First Go's own library:\n\n" + string(own) + "\nThen:\n\n" + head.String() + texts.String()
		require.NoError(t, os.WriteFile(*licencesTo, []byte(text), 0o600))
	}
}

func TestLicencesAreTold(t *testing.T) {
	for name, text := range map[string]string{
		"Apache-2.0":   "Apache License\n   Version 2.0,\nJanuary 2004 ...",
		"MIT":          "MIT\n\nPermission is hereby granted, free of charge, to any person\nobtaining a copy",
		"BSD-3-Clause": "Redistribution and use in source and binary forms ... to endorse or promote products ... THIS SOFTWARE IS PROVIDED",
		"BSD-2-Clause": "Redistribution and use in source and binary forms ... THIS SOFTWARE IS PROVIDED",
		"":             "GNU GENERAL PUBLIC LICENSE Version 3; Everyone is permitted to copy and distribute verbatim copies",
	} {
		require.Equal(t, name, Licence(text))
	}
	require.Empty(t, Licence("Eclipse Public License - v 2.0"))
	require.Empty(t, Licence("Mozilla Public License Version 2.0"))
}
