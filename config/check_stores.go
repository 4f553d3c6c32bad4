package config

import (
	"fmt"
	"net/url"
	"strings"
	"time"
)

// leastRetention is the shortest that InfluxDB 2 takes.
const leastRetention = time.Hour

func (c *checker) stores() {
	const at = "stores"
	if c.s.Stores.Influx != nil {
		c.influx(c.s.Stores.Influx, at+".influx")
	}
	if c.s.Stores.Journal == StoreInflux {
		c.journalElsewhere(at)
	}
}

// journalElsewhere checks a machine that works from what others forwarded.
// Readings of its own would make a second journal that nobody else sees.
func (c *checker) journalElsewhere(at string) {
	i := c.s.Stores.Influx
	if i == nil {
		c.missing(at+".influx", "the journal is to be in InfluxDB, and none is given", "influx: with url, organisation, bucket and token_file")
		return
	}
	for _, n := range []struct {
		key   string
		given bool
	}{
		{"broker", c.s.Connections.Broker != nil}, {"brokers", len(c.s.Connections.Brokers) > 0},
		{"embedded_broker", c.s.Connections.Embedded != nil}, {"sparkplug", c.s.Connections.Sparkplug != nil},
	} {
		if n.given {
			c.fault("connections."+n.key, "a machine whose journal is in InfluxDB takes no messages", "leave it out here, or journal: embedded under stores")
		}
	}
	if kept := time.Duration(c.s.Keep.ReadingsDays) * day; i.Retention > 0 && i.Retention < kept {
		c.warn(at+".influx.retention", fmt.Sprintf("the server keeps readings for %s, and forecasts look back %d days", spanText(i.Retention), c.s.Keep.ReadingsDays), "0s, or at least "+spanText(kept))
	}
}

func (c *checker) influx(i *Influx, at string) {
	c.influxURL(i, at)
	c.influxName(at+".organisation", i.Organisation, "the organisation's name, such as terminal")
	named := c.influxName(at+".bucket", i.Bucket, "the bucket's name, such as lube")
	c.required(at+".token_file", i.TokenFile, "the file that holds the token alone")
	if i.DailyBucket != "" && c.influxName(at+".daily_bucket", i.DailyBucket, "another bucket's name, such as lube-daily") && named && i.DailyBucket == i.Bucket {
		c.fault(at+".daily_bucket", "the bucket of the readings itself", "another one, such as "+shorten(i.Bucket)+"-daily: means in it would be averaged again")
	}
	if i.PrepareTokenFile != "" && i.PrepareTokenFile == i.TokenFile {
		c.fault(at+".prepare_token_file", "the file of the token that is used all the time", "a file of its own: an operator's token may do everything, and is needed once")
	}
	if i.Retention > 0 && i.Retention < leastRetention {
		c.fault(at+".retention", spanText(i.Retention)+" is shorter than InfluxDB takes", "0s for ever, or at least 1h")
	}
}

// influxName checks a name that the server gives out; those with _ in front are
// its own.
func (c *checker) influxName(at, name, remedy string) bool {
	if !c.required(at, name, remedy) {
		return false
	}
	if strings.HasPrefix(name, "_") || strings.TrimSpace(name) != name || strings.ContainsAny(name, "\"\\\n\r\t") {
		c.fault(at, fmt.Sprintf("%q cannot be a name here", shorten(name)), remedy)
		return false
	}
	return true
}

func (c *checker) influxURL(i *Influx, at string) {
	path := at + ".url"
	const remedy = "https://host:8086, or http://127.0.0.1:8086 on this machine"
	if !c.required(path, i.URL, remedy) {
		return
	}
	u, err := url.Parse(i.URL)
	if err != nil {
		// The text is not repeated: it may hold a secret.
		c.fault(path, "not the address of a server", remedy)
		return
	}
	if u.User != nil || u.RawQuery != "" || u.Fragment != "" {
		c.fault(path, "more than an address", remedy+"; account and token go into token_file, since addresses end up in logs")
		return
	}
	switch {
	case u.Scheme != "http" && u.Scheme != "https":
		c.fault(path, fmt.Sprintf("scheme %q is not one of InfluxDB", shorten(u.Scheme)), remedy)
	case u.Hostname() == "":
		c.fault(path, "no host in the address", remedy)
	case !validPort(u.Port(), true):
		c.fault(path, fmt.Sprintf("port %q is not a number from 1 to 65535", shorten(u.Port())), remedy)
	case u.Scheme == "http" && i.CAFile != "":
		c.fault(path, "certificates are given, but http:// is not encrypted", "https://, or leave out ca_file")
	case u.Scheme == "http" && !loopbackHost(u.Hostname()):
		c.warn(path, "the token crosses the network in the clear", "https:// and ca_file")
	}
}
