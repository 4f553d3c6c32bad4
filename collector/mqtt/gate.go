package mqtt

import (
	"crypto/tls"
	"crypto/x509"
	"errors"
	"fmt"
	"net"
	"net/netip"
	"os"
	"strconv"
	"sync"
	"time"

	mochi "github.com/mochi-mqtt/server/v2"
	"github.com/mochi-mqtt/server/v2/packets"

	"dwindle/collector/health"
	"dwindle/collector/mqtt/account"
	"dwindle/config"
)

// gate decides who gets in at the embedded broker and tells who did not.
type gate struct {
	server   *Server
	accounts *account.File // nil: no passwords
	certs    bool          // client certificates are taken
	logins   finding       // refused logins
	denials  finding       // topics that an account may not use
	oversize finding       // packets above the limit
}

// asks says whether anybody is asked who they are.
func (g *gate) asks() bool { return g.accounts != nil || g.certs }

// findingTime is how long something that has happened once is shown.
const findingTime = time.Hour

// finding is a health entry for something that happens now and then: the last
// case stands in it, with how many there were, until there was none for a while.
type finding struct {
	name string // of the entry

	mu    sync.Mutex
	count int
	last  time.Time
	muted int // cases since the last line in the log
}

// note tells a case. What others send is quoted by the caller.
func (f *finding) note(s *Server, now time.Time, what, try string) {
	f.mu.Lock()
	defer f.mu.Unlock()
	quiet := f.count > 0 && now.Sub(f.last) < time.Second
	f.count++
	f.last = now
	said := what
	if f.count > 1 {
		said = fmt.Sprintf("%s; %d such cases lately", what, f.count)
	}
	s.opt.Health.Set(f.name, health.Warn, said, try)
	if quiet {
		f.muted++
		return
	}
	s.opt.Log.Warn(what, "part", "embedded broker", "more_since", f.muted)
	f.muted = 0
}

// fade takes the entry back when nothing has happened for a while.
func (f *finding) fade(s *Server, now time.Time) {
	f.mu.Lock()
	defer f.mu.Unlock()
	if f.count > 0 && now.Sub(f.last) >= findingTime {
		f.count, f.muted = 0, 0
		s.opt.Health.Set(f.name, health.Ok, "", "")
	}
}

// shown is what somebody sent, fit to be shown.
func shown(s string) string {
	const most = 80
	if len(s) > most {
		s = s[:most] + "..."
	}
	return strconv.QuoteToASCII(s)
}

// admit says whether a client may come in, and under which account: the user
// name is set to it.
func (g *gate) admit(cl *mochi.Client, pk packets.Packet) bool {
	if cl.ID == mochi.InlineClientId {
		return false // the broker's own client would be thrown out by its namesake
	}
	if !g.asks() {
		return true
	}
	now := time.Now()
	name, err := g.who(cl, pk, now)
	if err == nil {
		if other, ok := g.server.broker.Clients.Get(cl.ID); ok && string(other.Properties.Username) != name {
			err = fmt.Errorf("its client id %s belongs to another account", shown(cl.ID))
		}
	}
	if err != nil {
		g.logins.note(g.server, now, fmt.Sprintf("refused a login as %s from %s: %v", shown(string(pk.Connect.Username)), host(cl.Net.Remote), err),
			"if that is one of yours, compare its user name and password (or certificate) with accounts_file: under connections.embedded_broker")
		return false
	}
	cl.Properties.Username = []byte(name)
	if cl.Properties.Will.Flag != 0 && !rightsOf(g.server.opt.Site(), name).mayPublish(cl.Properties.Will.TopicName) {
		g.denied(cl, cl.Properties.Will.TopicName, "leave a last will for")
		cl.Properties.Will = mochi.Will{}
	}
	return true
}

// who finds out which account a client has proved to be.
func (g *gate) who(cl *mochi.Client, pk packets.Packet, now time.Time) (string, error) {
	name := string(pk.Connect.Username)
	if cert, ok := peerName(cl.Net.Conn); ok {
		switch {
		case !config.ValidID(cert):
			return "", fmt.Errorf("the name in its certificate, %s, cannot be an account", shown(cert))
		case name != "" && name != cert:
			return "", fmt.Errorf("its certificate is that of %s", shown(cert))
		}
		return cert, nil
	}
	if g.accounts == nil {
		return "", errors.New("it has no certificate")
	}
	err := g.accounts.Login(g.server.taking, name, pk.Connect.Password, address(cl.Net.Remote), now)
	g.tellFile(err)
	return name, err
}

// tellFile reports how the file of accounts is.
func (g *gate) tellFile(err error) {
	const entry = checkServer + " accounts"
	const try = "`dwindle account NAME` writes a line for it"
	switch faults := g.accounts.Faults(); {
	case errors.Is(err, account.ErrFile):
		g.server.opt.Health.Set(entry, health.Bad, "the accounts of the embedded broker cannot be read; nobody is let in: "+g.server.opt.AccountsFile,
			"see that accounts_file: under connections.embedded_broker is there and may be read")
	case len(faults) > 0:
		g.server.opt.Health.Set(entry, health.Warn, fmt.Sprintf("in the accounts of the embedded broker %s; %d lines have no login", faults[0], len(faults)), try)
	default:
		g.server.opt.Health.Set(entry, health.Ok, "", "")
	}
}

// denied tells that an account wanted what it may not do.
func (g *gate) denied(cl *mochi.Client, topic, what string) {
	name := string(cl.Properties.Username)
	g.denials.note(g.server, time.Now(), fmt.Sprintf("device %s may not %s %s", shown(name), what, shown(topic)),
		"an account publishes below its own name, that of a gateway in the site file also for the devices behind it; more is granted by access: under connections.embedded_broker")
}

// tooLarge tells of a packet above the limit: its sender keeps it and sends it
// again on each connection, and nothing of what is behind it gets through.
func (g *gate) tooLarge(cl *mochi.Client) {
	who := "client " + shown(cl.ID)
	if name := string(cl.Properties.Username); name != "" {
		who = "device " + shown(name)
	}
	g.oversize.note(g.server, time.Now(), fmt.Sprintf("%s at %s sends a packet above the limit of %d bytes; its connection was closed", who, host(cl.Net.Remote), maxPacketBytes),
		"find out what it sends; until it gives that message up, nothing else of it arrives")
}

// allowed says whether a client may use a topic, and tells if not.
func (g *gate) allowed(cl *mochi.Client, r *rights, topic string, write bool) bool {
	switch {
	case write && r.mayPublish(topic), !write && r.mayRead(topic):
		return true
	case write:
		g.denied(cl, topic, "publish to")
	default:
		g.denied(cl, topic, "read")
	}
	return false
}

// handshake ends the negotiation of an encrypted connection and tells if it
// fails: an unknown authority looks like silence to whoever set up the device.
func (g *gate) handshake(conn net.Conn) error {
	t, ok := conn.(*tls.Conn)
	if !ok {
		return nil
	}
	err := t.HandshakeContext(g.server.taking)
	var broken *filesError
	switch {
	case err == nil || g.server.taking.Err() != nil:
	case errors.As(err, &broken):
		g.server.opt.Health.Set(checkServer+" certificate", health.Bad, err.Error(), "mend the files under connections.embedded_broker.tls; nobody can connect until then")
	default:
		g.logins.note(g.server, time.Now(), fmt.Sprintf("no encrypted connection with %s came about: %s", host(conn.RemoteAddr().String()), shown(err.Error())),
			"if that is one of yours, see that it trusts the broker's certificate and that its own is signed by an authority in client_ca_file:")
	}
	return err
}

func host(remote string) string {
	if h, _, err := net.SplitHostPort(remote); err == nil {
		return h
	}
	return shown(remote)
}

func address(remote string) netip.Addr {
	a, err := netip.ParseAddrPort(remote)
	if err != nil {
		return netip.Addr{}
	}
	return a.Addr()
}

// peerName is the name in a client's certificate, if it gave one that was
// verified: the common name, or where there is none the only DNS name.
func peerName(conn net.Conn) (string, bool) {
	p, ok := conn.(*peerConn)
	if !ok {
		return "", false
	}
	t, ok := p.Conn.(*tls.Conn)
	if !ok {
		return "", false
	}
	chains := t.ConnectionState().VerifiedChains
	if len(chains) == 0 || len(chains[0]) == 0 {
		return "", false
	}
	leaf := chains[0][0]
	if leaf.Subject.CommonName == "" && len(leaf.DNSNames) == 1 {
		return leaf.DNSNames[0], true
	}
	return leaf.Subject.CommonName, true
}

// filesError is trouble with our own files, no fault of who connects.
type filesError struct{ error }

// serverTLS reads the files of an encrypted listener. optional: a client may
// come without a certificate, because it has a password.
func serverTLS(files config.EmbeddedTLS, optional bool) (*tls.Config, error) {
	fail := func(key string, err error) (*tls.Config, error) {
		return nil, &filesError{fmt.Errorf("read the embedded broker's %s: %w", key, err)}
	}
	cert, err := tls.LoadX509KeyPair(files.CertFile, files.KeyFile)
	if err != nil {
		return fail("cert_file and key_file", err)
	}
	conf := &tls.Config{
		MinVersion: tls.VersionTLS12, Certificates: []tls.Certificate{cert},
		// A certificate is looked at anew on each connection.
		SessionTicketsDisabled: true,
	}
	if files.ClientCAFile == "" {
		return conf, nil
	}
	text, err := os.ReadFile(files.ClientCAFile)
	if err != nil {
		return fail("client_ca_file", err)
	}
	conf.ClientCAs = x509.NewCertPool()
	if !conf.ClientCAs.AppendCertsFromPEM(text) {
		return fail("client_ca_file", fmt.Errorf("no certificate in %s", files.ClientCAFile))
	}
	conf.ClientAuth = tls.RequireAndVerifyClientCert
	if optional {
		conf.ClientAuth = tls.VerifyClientCertIfGiven
	}
	return conf, nil
}
