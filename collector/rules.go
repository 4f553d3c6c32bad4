package collector

import (
	"log/slog"
	"sync"

	"dwindle/collector/decode"
	"dwindle/config"
)

// rules are how messages are decoded by the site file in force. They are made
// anew when it changes, so that a change of a mapping counts from the next
// message. Messages that come in ask, and those that are run again.
type rules struct {
	mu   sync.Mutex
	site *config.Site // that compiled was made from
	made *decode.Rules
}

func (r *rules) of(site *config.Site, log *slog.Logger) *decode.Rules {
	r.mu.Lock()
	defer r.mu.Unlock()
	if r.site == site {
		return r.made
	}
	made, err := RulesOf(site)
	if err != nil {
		log.Error("not every mapping of the site file can be used", "file", site.Path(), "err", err)
	}
	r.site, r.made = site, made
	return made
}

// RulesOf compiles what a site file says about messages. A mapping that cannot
// be used is left out and told in the error.
func RulesOf(site *config.Site) (*decode.Rules, error) {
	n := &site.Connections
	return decode.Compile(decode.Spec{Prefix: n.Prefix, Site: site.ID, Zone: site.Location(), Mappings: n.Mappings, Ignore: n.Ignore})
}
