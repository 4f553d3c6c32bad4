package config

import (
	"cmp"
	"fmt"
	"net"
	"net/netip"
	"net/url"
	"slices"
	"strconv"
	"strings"

	"dwindle/config/mapping"
)

func (c *checker) connections() {
	n := &c.s.Connections
	c.prefix(n.Prefix)
	c.brokers(n)
	c.mappings(n)
	if n.Sparkplug != nil {
		c.sparkplug(n, n.Sparkplug)
	}
	if n.Embedded != nil {
		c.embedded(n.Embedded, "connections.embedded_broker")
	}
	if n.Board != nil {
		const at = "connections.board.listen"
		if c.listen(at, n.Board.Listen, "127.0.0.1:8080") && !loopback(n.Board.Listen) {
			c.warn(at, fmt.Sprintf("%q can be reached from other machines, and the board has no accounts: who reaches it can acknowledge alarms", n.Board.Listen), "127.0.0.1:8080 behind a proxy that asks who it is")
		}
	}
	if n.Monitor != nil {
		c.monitor(n.Monitor)
	}
}

// monitor serves profiles, which show what a program holds in memory, and
// knows no accounts.
func (c *checker) monitor(m *Monitor) {
	const at = "connections.monitor.listen"
	if c.listen(at, m.Listen, "127.0.0.1:9310") && !loopback(m.Listen) {
		c.fault(at, fmt.Sprintf("%q can be reached from other machines, and the monitor has no accounts", m.Listen), "127.0.0.1:9310, and an agent or a proxy on this machine that passes on what may be seen elsewhere")
	}
}

// embedded checks the broker inside the program: what can be reached from other
// machines needs to know who they are, and nobody on the way may read or forge.
func (c *checker) embedded(e *Embedded, at string) {
	asks := e.AccountsFile != "" || e.TLS != nil && e.TLS.ClientCAFile != ""
	if c.listen(at+".listen", e.Listen, "127.0.0.1:1883") && !loopback(e.Listen) {
		const remedy = "127.0.0.1:1883 for one box; for a network tls: with cert_file and key_file, and accounts_file: or client_ca_file:"
		lacks := ""
		switch {
		case e.TLS == nil && !asks:
			lacks = "neither TLS nor accounts"
		case e.TLS == nil:
			lacks = "no TLS"
		case !asks:
			lacks = "no accounts"
		}
		if lacks != "" {
			c.fault(at+".listen", fmt.Sprintf("%q can be reached from other machines, and the embedded broker has %s", e.Listen, lacks), remedy)
		}
	}
	if e.TLS != nil {
		c.required(at+".tls.cert_file", e.TLS.CertFile, "the file of the broker's certificate")
		c.required(at+".tls.key_file", e.TLS.KeyFile, "the file of the certificate's key")
	}
	if len(e.Access) > 0 && !asks {
		c.fault(at+".access", "an access list without accounts", "accounts_file, or client_ca_file under tls")
	}
	for i := range e.Access {
		a, at := &e.Access[i], indexed(at+".access", i)
		c.validID(at+".account", a.Account)
		c.filters(at+".write", a.Write)
		c.filters(at+".read", a.Read)
	}
}

// filters checks topic filters (MQTT 3.1.1, 4.7).
func (c *checker) filters(at string, filters []string) {
	for i, f := range filters {
		if mapping.CheckFilter(f) != nil || strings.HasPrefix(f, "$") {
			c.fault(indexed(at, i), fmt.Sprintf("%q is no topic filter", shorten(f)), "levels with / between them; + stands for one level, # at the end for all below")
		}
	}
}

func (c *checker) prefix(prefix string) {
	for _, level := range strings.Split(prefix, "/") {
		if level == "" || strings.ContainsAny(level, "+#$ ") {
			c.fault("connections.prefix", fmt.Sprintf("%q cannot begin a topic", shorten(prefix)), "words with / between them, such as lube/v1, without +, # or $")
			return
		}
	}
}

// brokerSchemes maps each scheme that the clients speak to whether it is
// encrypted.
var brokerSchemes = map[string]bool{"tcp": false, "mqtt": false, "ssl": true, "tls": true, "mqtts": true}

// sources are what messages say of where they come from, beside the names of
// brokers: those of a broker that is called so would be taken for such.
var sources = []string{"person", "replay", "sparkplug"}

// brokers checks each external broker and that they do not get in each other's
// way. External ones and the embedded one go together: a site that moves from
// one to the other has both for a while.
func (c *checker) brokers(n *Connections) {
	names := newIDs("broker")
	sessions := map[string]string{} // address and client id to where they stand
	one := func(b *Broker, at, name string) {
		c.broker(b, at)
		switch {
		case !c.validID(at+".name", name):
		case strings.EqualFold(name, EmbeddedName):
			c.fault(at+".name", fmt.Sprintf("%q is what the broker inside the program is called", name), "another name")
		case slices.Contains(sources, strings.ToLower(name)):
			c.fault(at+".name", fmt.Sprintf("%q is what messages are called that do not come from a broker of its own", name), "another name")
		default:
			c.add(names, at+".name", name, 0)
		}
		u, err := url.Parse(b.URL)
		if err != nil {
			return
		}
		if n.Embedded != nil && sameListener(u, n.Embedded.Listen) {
			c.fault(at+".url", "this is the embedded broker's own address", "the address of another broker, or leave this one out: what the embedded broker receives is stored without it")
		}
		if b.ClientID == "" {
			return
		}
		key := u.Host + " " + b.ClientID
		if first, taken := sessions[key]; taken {
			c.fault(at+".client_id", fmt.Sprintf("the same client id at the same broker as on line %d: the two would push each other out", c.at(first)), "different client ids, or none: each is then given its own")
			return
		}
		sessions[key] = at + ".client_id"
	}
	if b := n.Broker; b != nil {
		one(b, "connections.broker", cmp.Or(b.Name, DefaultBrokerName))
	}
	for i := range n.Brokers {
		one(&n.Brokers[i], indexed("connections.brokers", i), n.Brokers[i].Name)
	}
}

// sameListener says whether a broker's address leads to an address that we
// listen on.
func sameListener(u *url.URL, listen string) bool {
	host, port, err := net.SplitHostPort(listen)
	if err != nil || u.Port() != port || port == "0" {
		return false
	}
	return strings.EqualFold(u.Hostname(), host) || loopbackHost(u.Hostname()) && loopbackHost(host)
}

func (c *checker) broker(b *Broker, at string) {
	c.brokerURL(b, at)
	if b.PasswordFile != "" && b.Username == "" && !strings.Contains(b.URL, "@") {
		c.fault(at+".password_file", "a password without username", "give username too")
	}
	if (b.CertFile == "") != (b.KeyFile == "") {
		c.fault(at, "cert_file and key_file go together", "give both, or neither where the broker asks for no client certificate")
	}
	const longest = 128
	if len(b.ClientID) > longest || strings.ContainsAny(b.ClientID, "+#/") {
		c.fault(at+".client_id", "brokers may refuse this client id", "up to 128 letters, digits and hyphens, different for each installation")
	}
}

func (c *checker) brokerURL(b *Broker, at string) {
	path := at + ".url"
	const remedy = "tcp://host:1883, or ssl://host:8883 for TLS"
	if !c.required(path, b.URL, remedy) {
		return
	}
	u, err := url.Parse(b.URL)
	if err != nil {
		// The text is not repeated: it may hold a password.
		c.fault(path, "not the address of a broker", remedy)
		return
	}
	if u.User != nil {
		c.fault(path, "an account inside the address", "username and password_file instead: addresses end up in logs")
		return
	}
	encrypted, ok := brokerSchemes[u.Scheme]
	switch {
	case !ok:
		c.fault(path, fmt.Sprintf("scheme %q is not one of a broker", shorten(u.Scheme)), remedy)
	case u.Hostname() == "":
		c.fault(path, "no host in the address", remedy)
	case !validPort(u.Port(), true):
		c.fault(path, fmt.Sprintf("port %q is not a number from 1 to 65535", shorten(u.Port())), remedy)
	case !encrypted && (b.CAFile != "" || b.CertFile != "" || b.KeyFile != ""):
		c.fault(path, fmt.Sprintf("certificates are given, but %s:// is not encrypted", u.Scheme), "ssl:// with the broker's TLS port, mostly 8883")
	case !encrypted && b.PasswordFile != "" && !loopbackHost(u.Hostname()):
		c.warn(path, "the password crosses the network in the clear", "ssl:// and ca_file")
	}
}

func validPort(port string, optional bool) bool {
	if port == "" {
		return optional
	}
	n, err := strconv.ParseUint(port, 10, 16)
	return err == nil && (n > 0 || !optional)
}

// listen checks an address to serve on; port 0 lets the system choose.
func (c *checker) listen(path, address, example string) bool {
	if !c.required(path, address, "host:port, such as "+example) {
		return false
	}
	host, port, err := net.SplitHostPort(address)
	if err != nil || !validPort(port, false) || strings.ContainsAny(host, "/ ") {
		c.fault(path, fmt.Sprintf("%q is not host:port", shorten(address)), "host:port, such as "+example)
		return false
	}
	return true
}

func loopback(address string) bool {
	host, _, err := net.SplitHostPort(address)
	return err == nil && loopbackHost(host)
}

func loopbackHost(host string) bool {
	if strings.EqualFold(host, "localhost") {
		return true
	}
	ip, err := netip.ParseAddr(host)
	return err == nil && ip.IsLoopback()
}

// uncovered lists the areas that hold points but that no round visits.
func (c *checker) uncovered() (out []string) {
	for _, r := range c.s.Calendar.Rounds {
		if len(r.Areas) == 0 {
			return nil
		}
	}
	for _, p := range c.s.Points {
		i, ok := c.ids.machines.index[p.Machine]
		if !ok || slices.Contains(out, c.s.Machines[i].Area) {
			continue
		}
		area := c.s.Machines[i].Area
		if !slices.ContainsFunc(c.s.Calendar.Rounds, func(r Round) bool { return slices.Contains(r.Areas, area) }) {
			out = append(out, area)
		}
	}
	return out
}
