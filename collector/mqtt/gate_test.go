package mqtt

import (
	"crypto/tls"
	"crypto/x509"
	"crypto/x509/pkix"
	"log/slog"
	"net"
	"os"
	"path/filepath"
	"strings"
	"sync/atomic"
	"testing"
	"time"

	"github.com/eclipse/paho.mqtt.golang/packets"
	mochi "github.com/mochi-mqtt/server/v2"
	"github.com/stretchr/testify/require"

	"dwindle/collector/health"
	"dwindle/collector/mqtt/account"
	"dwindle/config"
)

// registered is a site with a gateway and devices behind it.
func registered(access ...config.Access) *config.Site {
	return &config.Site{
		ID:       "riverside",
		Gateways: []config.Gateway{{ID: "gw-1", Machines: []string{"belt-1"}, Dispensers: []string{"disp-01", "disp-02"}}},
		Connections: config.Connections{
			Prefix: "lube/v1", Embedded: &config.Embedded{Access: access},
		},
	}
}

func TestRights(t *testing.T) {
	site := registered(
		config.Access{Account: "plc-1", Write: []string{"plant/line-1/#"}, Read: []string{"lube/v1/riverside/+/status"}},
		config.Access{Account: "plc-1", Write: []string{"plant/hall"}},
	)
	for _, row := range []struct {
		account, topic string
		publish, read  bool
	}{
		{"disp-01", "lube/v1/riverside/disp-01/pulse", true, false},
		{"disp-01", "lube/v1/riverside/disp-02/pulse", false, false},
		{"disp-01", "lube/v1/riverside/disp-01", false, false},
		{"disp-01", "lube/v1/riverside/disp-011/pulse", false, false},
		{"disp-01", "lube/v1/other/disp-01/pulse", false, false},
		{"disp-01", "lube/v1/riverside//disp-01/pulse", false, false},
		{"disp-01", "/lube/v1/riverside/disp-01/pulse", false, false},
		{"gw-1", "lube/v1/riverside/gw-1/status", true, false},
		{"gw-1", "lube/v1/riverside/disp-02/pulse", true, false},
		{"gw-1", "lube/v1/riverside/belt-1/run", true, false},
		{"gw-1", "lube/v1/riverside/belt-2/run", false, false},
		{"plc-1", "plant/line-1/temperature", true, false},
		{"plc-1", "plant/line-2/temperature", false, false},
		{"plc-1", "plant/hall", true, false},
		{"plc-1", "lube/v1/riverside/disp-01/status", false, true},
		{"plc-1", "lube/v1/riverside/#", false, false},
		{"plc-1", "$SYS/broker", false, false},
	} {
		r := rightsOf(site, row.account)
		require.Equal(t, row.publish, r.mayPublish(row.topic), "%s publishes to %s", row.account, row.topic)
		require.Equal(t, row.read, r.mayRead(row.topic), "%s reads %s", row.account, row.topic)
	}
}

const devicePassword = "a-long-passw0rd"

// guarded runs a broker that asks who comes, and gives its health list.
func guarded(t *testing.T, sink Sink, change func(*ServerOptions)) (*Server, *health.Checks, *atomic.Pointer[config.Site], *safeBuffer) {
	t.Helper()
	checks, log := health.New(nil), &safeBuffer{}
	var site atomic.Pointer[config.Site]
	site.Store(registered())
	opt := ServerOptions{
		Listen: "127.0.0.1:0", Prefix: "lube/v1", Sink: sink, Health: checks, Site: site.Load,
		Log: slog.New(slog.NewTextHandler(log, nil)),
	}
	change(&opt)
	s, err := NewServer(opt)
	require.NoError(t, err)
	running(t, s.Run)
	return s, checks, &site, log
}

// accountsFile has an account for each name, all with one password.
func accountsFile(t *testing.T, names ...string) string {
	t.Helper()
	hash, err := account.Hash([]byte(devicePassword))
	require.NoError(t, err)
	path := filepath.Join(t.TempDir(), "accounts")
	var text strings.Builder
	for _, name := range names {
		text.WriteString(name + ":" + hash + "\n")
	}
	require.NoError(t, os.WriteFile(path, []byte(text.String()), 0o600))
	return path
}

// knock says hello over a connection and returns the answer's code, or -1 where
// there is none.
func knock(t *testing.T, conn net.Conn, id, user, password string, change func(*packets.ConnectPacket)) (*wire, int) {
	t.Helper()
	t.Cleanup(func() { _ = conn.Close() })
	w := &wire{t, conn}
	c := packets.NewControlPacket(packets.Connect).(*packets.ConnectPacket)
	c.ProtocolName, c.ProtocolVersion, c.ClientIdentifier, c.CleanSession, c.Keepalive = "MQTT", 4, id, true, 60
	c.UsernameFlag, c.Username = user != "", user
	c.PasswordFlag, c.Password = password != "", []byte(password)
	if change != nil {
		change(c)
	}
	if err := c.Write(conn); err != nil {
		return nil, -1
	}
	require.NoError(t, conn.SetReadDeadline(time.Now().Add(patience)))
	p, err := packets.ReadPacket(conn)
	if err != nil {
		return nil, -1
	}
	return w, int(p.(*packets.ConnackPacket).ReturnCode)
}

func login(t *testing.T, s *Server, id, user, password string) (*wire, int) {
	t.Helper()
	conn, err := net.Dial("tcp", s.Addr())
	require.NoError(t, err)
	return knock(t, conn, id, user, password, nil)
}

func TestOnlyAccountsAreLetIn(t *testing.T) {
	b := newBook()
	file := accountsFile(t, "disp-01", "disp-02", "gw-1")
	s, checks, _, log := guarded(t, b.sink, func(o *ServerOptions) { o.AccountsFile = file })
	for _, who := range [][2]string{{"", ""}, {"disp-01", ""}, {"disp-01", "wr0ng-s3cret"}, {"nobody", devicePassword}, {"lube/v1/#", devicePassword}} {
		_, code := login(t, s, "x", who[0], who[1])
		require.NotZero(t, code, "%v", who)
	}
	got := check(checks, checkServer+" logins")
	require.Equal(t, health.Warn, got.Level)
	require.Contains(t, got.What, `"lube/v1/#" from 127.0.0.1: there is no such account; 5 such cases lately`)
	for _, secret := range []string{devicePassword, "wr0ng-s3cret"} {
		require.NotContains(t, log.String()+got.What, secret)
	}

	w, code := login(t, s, "x", "disp-01", devicePassword)
	require.Zero(t, code)
	w.publish(1, 1, "lube/v1/riverside/disp-01/pulse", "x")
	w.puback(1)

	// Taken out of the file, it comes no more.
	require.NoError(t, os.WriteFile(file, []byte("# none\n"), 0o600))
	_, code = login(t, s, "y", "disp-01", devicePassword)
	require.NotZero(t, code)
	require.NoError(t, os.Remove(file))
	_, code = login(t, s, "y", "disp-02", devicePassword)
	require.NotZero(t, code)
	require.Equal(t, health.Bad, check(checks, checkServer+" accounts").Level)
}

// A QoS 1 publish that is not allowed ends the connection: MQTT 3.1.1 has no
// other way to say no. It has to be told where somebody looks.
func TestWhatIsNotAllowedIsRefusedAndNamed(t *testing.T) {
	b := newBook()
	s, checks, site, _ := guarded(t, b.sink, func(o *ServerOptions) { o.AccountsFile = accountsFile(t, "disp-01", "gw-1", "plc-1") })

	w, code := login(t, s, "a", "disp-01", devicePassword)
	require.Zero(t, code)
	w.publish(1, 1, "lube/v1/riverside/disp-02/pulse", "forged")
	w.ended()
	got := check(checks, checkServer+" access")
	require.Equal(t, health.Warn, got.Level)
	require.Contains(t, got.What, `device "disp-01" may not publish to "lube/v1/riverside/disp-02/pulse"`)
	require.Contains(t, got.Try, "access:")

	// QoS 0 is dropped without a word to the sender.
	w, _ = login(t, s, "a", "disp-01", devicePassword)
	w.publish(0, 0, "lube/v1/riverside/disp-02/pulse", "forged")
	w.silent()
	// QoS 2 like QoS 1.
	w.publish(2, 2, "lube/v1/riverside/disp-02/pulse", "forged")
	w.ended()
	require.Empty(t, b.all())

	// A gateway speaks for what is behind it.
	w, _ = login(t, s, "g", "gw-1", devicePassword)
	w.publish(1, 1, "lube/v1/riverside/disp-02/pulse", "by the gateway")
	w.puback(1)
	require.Equal(t, []string{"by the gateway"}, b.payloads())

	// Nobody reads unless it is said so, and then at once.
	subscribe := func(w *wire, filter string) byte {
		sub := packets.NewControlPacket(packets.Subscribe).(*packets.SubscribePacket)
		sub.MessageID, sub.Topics, sub.Qoss = 7, []string{filter}, []byte{1}
		w.send(sub)
		return w.read().(*packets.SubackPacket).ReturnCodes[0]
	}
	p, _ := login(t, s, "p", "plc-1", devicePassword)
	for _, filter := range []string{"lube/v1/riverside/#", "#", "$SYS/#", "$share/g/lube/v1/riverside/#", "+/+/+/+/+"} {
		require.Equal(t, byte(0x80), subscribe(p, filter), filter)
	}
	site.Store(registered(config.Access{Account: "plc-1", Read: []string{"lube/v1/riverside/+/pulse"}}))
	require.Equal(t, byte(1), subscribe(p, "lube/v1/riverside/disp-02/pulse"))
	require.Equal(t, byte(0x80), subscribe(p, "lube/v1/riverside/#"))
	w.publish(2, 1, "lube/v1/riverside/disp-02/pulse", "seen")
	w.puback(2)
	seen, ok := p.read().(*packets.PublishPacket)
	require.True(t, ok)
	require.Equal(t, "seen", string(seen.Payload))
}

func TestALastWillForAnotherDeviceIsNotTaken(t *testing.T) {
	b := newBook()
	s, checks, _, _ := guarded(t, b.sink, func(o *ServerOptions) { o.AccountsFile = accountsFile(t, "disp-01") })
	for _, device := range []string{"disp-02", "disp-01"} {
		conn, err := net.Dial("tcp", s.Addr())
		require.NoError(t, err)
		_, code := knock(t, conn, "w", "disp-01", devicePassword, func(c *packets.ConnectPacket) {
			c.WillFlag, c.WillTopic, c.WillMessage = true, "lube/v1/riverside/"+device+"/status", []byte(device)
		})
		require.Zero(t, code)
		require.NoError(t, conn.Close())
	}
	eventually(t, "its own is taken", func() bool { return len(b.all()) > 0 })
	require.Equal(t, []string{"disp-01"}, b.payloads())
	require.Contains(t, check(checks, checkServer+" access").What, `may not leave a last will for "lube/v1/riverside/disp-02/status"`)
}

// Whoever comes with the client id of another would throw it out and take its
// session over.
func TestAClientIDBelongsToItsAccount(t *testing.T) {
	s, checks, _, _ := guarded(t, newBook().sink, func(o *ServerOptions) { o.AccountsFile = accountsFile(t, "disp-01", "disp-02") })
	w, code := login(t, s, "pump", "disp-01", devicePassword)
	require.Zero(t, code)
	_, code = login(t, s, "pump", "disp-02", devicePassword)
	require.NotZero(t, code)
	require.Contains(t, check(checks, checkServer+" logins").What, `client id "pump" belongs to another account`)
	w.silent()
	_, code = login(t, s, "pump", "disp-01", devicePassword) // which comes back after a break
	require.Zero(t, code)
}

func TestTheBrokersOwnClientCannotBeThrownOut(t *testing.T) {
	b := newBook()
	s, _ := newServer(t, b.sink)
	_, code := login(t, s, mochi.InlineClientId, "", "")
	require.NotZero(t, code)
}

func TestANetworkNeedsTLSAndAccounts(t *testing.T) {
	a := newAuthority(t)
	a.make("server", nil)
	files := &config.EmbeddedTLS{CertFile: a.file("server"), KeyFile: a.file("server-key")}
	withCA := &config.EmbeddedTLS{CertFile: a.file("server"), KeyFile: a.file("server-key"), ClientCAFile: a.file("authority")}
	accounts := accountsFile(t, "disp-01")
	site := registered()
	for _, row := range []struct {
		what string
		opt  ServerOptions
		ok   bool
	}{
		{"neither", ServerOptions{}, false},
		{"accounts alone", ServerOptions{AccountsFile: accounts}, false},
		{"TLS alone", ServerOptions{TLS: files}, false},
		{"both", ServerOptions{AccountsFile: accounts, TLS: files}, true},
		{"client certificates", ServerOptions{TLS: withCA}, true},
	} {
		row.opt.Listen, row.opt.Sink, row.opt.Site = "0.0.0.0:0", newBook().sink, func() *config.Site { return site }
		s, err := NewServer(row.opt)
		if !row.ok {
			require.ErrorContains(t, err, "try: ", row.what)
			continue
		}
		require.NoError(t, err, row.what)
		require.NoError(t, s.Close())
	}
	for want, opt := range map[string]ServerOptions{
		"dwindle account":        {AccountsFile: filepath.Join(a.dir, "missing")},
		"cert_file and key_file": {AccountsFile: accounts, TLS: &config.EmbeddedTLS{CertFile: "missing", KeyFile: "missing"}},
		"client_ca_file":         {TLS: &config.EmbeddedTLS{CertFile: a.file("server"), KeyFile: a.file("server-key"), ClientCAFile: a.file("server-key")}},
		"without a site":         {AccountsFile: accounts, TLS: files, Site: nil},
	} {
		opt.Listen, opt.Sink = "127.0.0.1:0", newBook().sink
		if want != "without a site" {
			opt.Site = func() *config.Site { return site }
		}
		_, err := NewServer(opt)
		require.ErrorContains(t, err, want)
	}
}

func TestCertificatesAreAccounts(t *testing.T) {
	a := newAuthority(t)
	a.make("server", nil)
	a.make("disp-01", nil)
	a.make("by-name", func(c *x509.Certificate) { c.Subject = pkix.Name{}; c.DNSNames = []string{"disp-02"} })
	a.make("odd", func(c *x509.Certificate) { c.Subject.CommonName = "a/#" })
	stranger := newAuthority(t)
	stranger.make("disp-01", nil)
	b := newBook()
	s, checks, _, log := guarded(t, b.sink, func(o *ServerOptions) {
		o.TLS = &config.EmbeddedTLS{CertFile: a.file("server"), KeyFile: a.file("server-key"), ClientCAFile: a.file("authority")}
	})
	come := func(conf *tls.Config, user string) (*wire, int) {
		conn, err := tls.Dial("tcp", s.Addr(), conf)
		if err != nil {
			return nil, -1
		}
		return knock(t, conn, "c-"+user, user, "", nil)
	}
	w, code := come(a.client("disp-01"), "")
	require.Zero(t, code)
	w.publish(1, 1, "lube/v1/riverside/disp-01/pulse", "x")
	w.puback(1)
	w.publish(2, 1, "lube/v1/riverside/disp-02/pulse", "forged")
	w.ended()
	w, code = come(a.client("by-name"), "disp-02")
	require.Zero(t, code)
	w.publish(1, 1, "lube/v1/riverside/disp-02/pulse", "y")
	w.puback(1)
	require.Equal(t, []string{"x", "y"}, b.payloads())

	_, code = come(a.client("disp-01"), "disp-02")
	require.NotZero(t, code, "a name that is not the certificate's")
	_, code = come(a.client("odd"), "")
	require.NotZero(t, code)
	_, code = come(a.client(""), "disp-01")
	require.NotZero(t, code, "no certificate")
	eventually(t, "it is told", func() bool {
		return strings.Contains(check(checks, checkServer+" logins").What, "no encrypted connection with 127.0.0.1")
	})
	conf := stranger.client("disp-01")
	conf.RootCAs = a.client("").RootCAs
	_, code = come(conf, "")
	require.NotZero(t, code, "signed by another authority")
	conn, err := net.Dial("tcp", s.Addr())
	require.NoError(t, err)
	_, code = knock(t, conn, "plain", "disp-01", "", nil)
	require.NotZero(t, code, "not encrypted")
	require.NotContains(t, log.String(), "level=ERROR")
}

func TestPasswordsBesideCertificatesAndRenewedFiles(t *testing.T) {
	a := newAuthority(t)
	a.make("server", nil)
	a.make("disp-01", nil)
	s, checks, _, _ := guarded(t, newBook().sink, func(o *ServerOptions) {
		o.AccountsFile = accountsFile(t, "disp-02")
		o.TLS = &config.EmbeddedTLS{CertFile: a.file("server"), KeyFile: a.file("server-key"), ClientCAFile: a.file("authority")}
	})
	come := func(cert, user, password string) int {
		conn, err := tls.Dial("tcp", s.Addr(), a.client(cert))
		if err != nil {
			return -1
		}
		_, code := knock(t, conn, "c-"+user, user, password, nil)
		return code
	}
	require.Zero(t, come("disp-01", "", ""))
	require.Zero(t, come("", "disp-02", devicePassword))
	require.NotZero(t, come("", "disp-01", ""), "its certificate is all it has")
	require.NotZero(t, come("", "disp-02", "wrong"))

	// A renewed certificate counts from the next connection on, a broken one is
	// told.
	renewed, _ := a.make("server", nil)
	conn, err := tls.Dial("tcp", s.Addr(), a.client("disp-01"))
	require.NoError(t, err)
	require.Equal(t, renewed.SerialNumber, conn.ConnectionState().PeerCertificates[0].SerialNumber)
	require.NoError(t, conn.Close())
	require.NoError(t, os.WriteFile(a.file("server"), []byte("half a f"), 0o600))
	require.Equal(t, -1, come("disp-01", "", ""))
	eventually(t, "it is told", func() bool { return check(checks, checkServer+" certificate").Level == health.Bad })
	a.make("server", nil)
	require.Zero(t, come("disp-01", "", ""))
	require.Equal(t, health.Ok, check(checks, checkServer+" certificate").Level)
}

func TestAFindingFades(t *testing.T) {
	checks := health.New(nil)
	s := &Server{opt: ServerOptions{Health: checks, Log: discard()}}
	f := finding{name: "x"}
	now := time.Date(2026, 3, 2, 6, 0, 0, 0, time.UTC)
	f.fade(s, now)
	require.Empty(t, checks.List())
	f.note(s, now, "a", "try")
	f.note(s, now.Add(time.Millisecond), "b", "try")
	require.Equal(t, "b; 2 such cases lately", check(checks, "x").What)
	f.fade(s, now.Add(findingTime))
	require.Equal(t, health.Warn, check(checks, "x").Level)
	f.fade(s, now.Add(findingTime+time.Second))
	require.Equal(t, health.Ok, check(checks, "x").Level)
	f.note(s, now.Add(2*findingTime), "c", "try")
	require.Equal(t, "c", check(checks, "x").What)
}
