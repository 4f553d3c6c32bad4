package archtest

import "strings"

// Licences that a module linked into the program may have, each with words that
// only its text has. The first whose words are all there is taken.
var Licences = []struct {
	Name  string
	Words []string
}{
	{"Apache-2.0", []string{"Apache License", "Version 2.0, January 2004"}},
	{"MIT", []string{"Permission is hereby granted, free of charge, to any person obtaining a copy"}},
	{"BSD-3-Clause", []string{"Redistribution and use in source and binary forms", "endorse or promote products"}},
	{"BSD-2-Clause", []string{"Redistribution and use in source and binary forms", "THIS SOFTWARE IS PROVIDED"}},
	{"ISC", []string{"Permission to use, copy, modify, and/or distribute this software for any purpose"}},
	{"public domain", []string{"disclaims copyright to this source code"}},
}

// LicenceChoice is the file that counts where a module offers several licences
// to choose from.
var LicenceChoice = map[string]string{
	"github.com/eclipse/paho.mqtt.golang": "edl-v10", // BSD-3-Clause, instead of the EPL-2.0
}

// Licence gives the name of a licence by its text, empty if it is none that is
// allowed. Line breaks do not matter.
func Licence(text string) string {
	flat := strings.ToLower(strings.Join(strings.Fields(text), " "))
	for _, l := range Licences {
		all := true
		for _, w := range l.Words {
			all = all && strings.Contains(flat, strings.ToLower(w))
		}
		if all {
			return l.Name
		}
	}
	return ""
}

// licenceFile says whether a file of a module's root holds terms or a notice
// that has to go with the program.
func licenceFile(name string) (terms, notice bool) {
	upper := strings.ToUpper(name)
	for _, p := range []string{"LICENSE", "LICENCE", "COPYING"} {
		terms = terms || strings.HasPrefix(upper, p)
	}
	return terms, strings.HasPrefix(upper, "NOTICE")
}
