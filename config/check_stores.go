package config

import (
	"errors"
	"fmt"
	"io/fs"
	"net/url"
	"os"
	"strings"
	"time"
)

// leastRetention is the shortest that InfluxDB 2 takes (MinRetentionPolicyDuration
// in the source of 2.8.0).
const leastRetention = time.Hour

func (c *checker) stores() {
	const at = "stores"
	if c.s.Stores.Influx != nil {
		c.influx(c.s.Stores.Influx, at+".influx")
	}
	if c.s.JournalInInflux() {
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
	if kept := time.Duration(c.s.Keep.ReadingsDays) * day; i.Retention >= leastRetention && i.Retention < kept && !c.s.JournalInInflux() {
		c.warn(at+".retention", fmt.Sprintf("the server keeps readings for %s, and this machine for %d days: another one with journal: influx would forecast from less", spanText(i.Retention), c.s.Keep.ReadingsDays), "0s, or at least "+spanText(kept))
	}
	if i.Every > slowForward {
		c.warn(at+".every", "what others see is up to "+spanText(i.Every)+" old", "up to "+spanText(slowForward)+"; a request costs little")
	}
}

// slowForward is from when on it is worth a word how old readings get before they
// are forwarded: alarms of others that rest on them come so much later. Common
// practice.
const slowForward = 5 * time.Minute

// exposed is what others than the owner and the group may do with a secret.
const exposed = 0o007

// TokenDoubts looks at the files of tokens, which rules about the text of a site
// file cannot see: those that are missing, and those that everybody may read.
func (s *Site) TokenDoubts() []string {
	i := s.Influx()
	if i == nil {
		return nil
	}
	var out []string
	for _, t := range []struct {
		key, file string
		needed    bool
	}{{"token_file", i.TokenFile, true}, {"prepare_token_file", i.PrepareTokenFile, false}} {
		if t.file == "" || strings.HasPrefix(t.file, "$CREDENTIALS_DIRECTORY") {
			continue // there is one only while the service runs
		}
		info, err := os.Stat(t.file)
		switch {
		case errors.Is(err, fs.ErrNotExist) && t.needed:
			out = append(out, fmt.Sprintf("stores.influx.%s: there is no %s; readings wait until there is", t.key, t.file))
		case err == nil && info.Mode().Perm()&exposed != 0:
			out = append(out, fmt.Sprintf("stores.influx.%s: everybody on this machine may read %s; try: chmod o= %s", t.key, t.file, t.file))
		}
	}
	return out
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
