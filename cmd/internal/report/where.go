package report

import (
	"strings"
	"time"

	"dwindle/config"
)

// Where names a point by its machine, its own name and how to reach it.
func Where(site *config.Site, point string) string {
	p := site.Point(point)
	if p == nil {
		return ""
	}
	name := p.Name
	if machine := machineName(site, p.Machine); !strings.HasPrefix(name, machine) {
		name = joinWith(machine, ", ", name)
	}
	return joinWith(name, "; ", p.Location)
}

func machineName(site *config.Site, id string) string {
	if m := site.Machine(id); m != nil && m.Name != "" {
		return m.Name
	}
	return id
}

// Time shows an instant in the site's zone.
func Time(site *config.Site, t time.Time) string { return t.In(site.Location()).Format("2 Jan 15:04") }

func joinWith(a, sep, b string) string {
	if a == "" || b == "" {
		return a + b
	}
	return a + sep + b
}
