package mqtt

import (
	"strings"

	"dwindle/config"
)

// rights are what one account may do at the embedded broker. A device may
// publish below its own id and for nobody else, a gateway also for the devices
// that the register puts behind it; what else it may, and all reading, stands
// in the site file. dwindle believes the topic, not the payload, so this is
// what keeps one device from speaking for another.
type rights struct {
	below   string          // prefix and site, with the / behind them
	devices map[string]bool // levels that may follow
	write   []string        // further filters
	read    []string
}

// rightsOf works out an account's rights from the register.
func rightsOf(site *config.Site, account string) *rights {
	r := &rights{
		below:   strings.Trim(site.Connections.Prefix, "/") + "/" + site.ID + "/",
		devices: map[string]bool{account: true},
	}
	for _, g := range site.Gateways {
		if g.ID != account {
			continue
		}
		for _, ids := range [][]string{g.Machines, g.Dispensers} {
			for _, id := range ids {
				r.devices[id] = true
			}
		}
	}
	if e := site.Connections.Embedded; e != nil {
		for _, a := range e.Access {
			if a.Account == account {
				r.write, r.read = append(r.write, a.Write...), append(r.read, a.Read...)
			}
		}
	}
	return r
}

// mayPublish says whether a message of this topic may be sent.
func (r *rights) mayPublish(topic string) bool {
	if rest, ok := strings.CutPrefix(topic, r.below); ok {
		if device, _, deeper := strings.Cut(rest, "/"); deeper && r.devices[device] {
			return true
		}
	}
	return anyCovers(r.write, topic)
}

// mayRead says whether a filter may be subscribed to, or a topic delivered.
func (r *rights) mayRead(filter string) bool { return anyCovers(r.read, filter) }

func anyCovers(patterns []string, filter string) bool {
	for _, p := range patterns {
		if covers(p, filter) {
			return true
		}
	}
	return false
}
