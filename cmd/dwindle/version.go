package main

import (
	"fmt"
	"runtime/debug"
)

// version is set by the release build.
var version = "development"

type versionCmd struct{}

// Run prints the version, the commit where the build knows it, and Go's.
func (versionCmd) Run(e *env) error {
	line := "dwindle " + version
	if info, ok := debug.ReadBuildInfo(); ok {
		for _, s := range info.Settings {
			if s.Key == "vcs.revision" {
				line += " (" + s.Value[:min(12, len(s.Value))] + ")"
			}
		}
		line += " " + info.GoVersion
	}
	_, err := fmt.Fprintln(e.out, line)
	return err
}
