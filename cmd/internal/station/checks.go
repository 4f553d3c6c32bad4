package station

import (
	"strings"

	"dwindle/alerts/board"
	"dwindle/collector/health"
	"dwindle/collector/influx/mirror"
)

// Live and Ready answer the pages as they answer the monitor.
func (b boardSource) Live() health.Probe  { return b.c.Live() }
func (b boardSource) Ready() health.Probe { return b.c.Ready() }

// Checks gives the health list to the pages.
func (b boardSource) Checks() []board.Check {
	var out []board.Check
	for _, c := range b.c.health.List() {
		out = append(out, board.Check{Name: c.Name, Level: c.Level.String(), What: c.What, Try: c.Try, Since: c.Since})
	}
	return out
}

// vital says whether nothing is collected while a check is bad: those of the
// journal, of the brokers and of the Sparkplug host, each of which has several, and
// that of the working copy.
func vital(check string) bool {
	for _, part := range []string{"journal", "broker", "embedded broker", "sparkplug", mirror.CheckName} {
		if check == part || strings.HasPrefix(check, part+" ") {
			return true
		}
	}
	return false
}
