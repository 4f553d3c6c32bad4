package mqtt

import (
	"crypto/ecdsa"
	"crypto/elliptic"
	"crypto/rand"
	"crypto/tls"
	"crypto/x509"
	"crypto/x509/pkix"
	"encoding/pem"
	"math/big"
	"net"
	"os"
	"path/filepath"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
)

// authority signs certificates for tests and keeps them as files.
type authority struct {
	t    *testing.T
	dir  string
	cert *x509.Certificate
	key  *ecdsa.PrivateKey
}

func newAuthority(t *testing.T) *authority {
	t.Helper()
	a := &authority{t: t, dir: t.TempDir()}
	a.cert, a.key = a.make("authority", nil)
	return a
}

func (a *authority) file(name string) string { return filepath.Join(a.dir, name+".pem") }

// make signs a certificate and stores it with its key, under one name.
func (a *authority) make(name string, change func(*x509.Certificate)) (*x509.Certificate, *ecdsa.PrivateKey) {
	a.t.Helper()
	key, err := ecdsa.GenerateKey(elliptic.P256(), rand.Reader)
	require.NoError(a.t, err)
	serial, err := rand.Int(rand.Reader, big.NewInt(1<<62))
	require.NoError(a.t, err)
	c := &x509.Certificate{
		SerialNumber: serial, Subject: pkix.Name{CommonName: name},
		NotBefore: time.Now().Add(-time.Hour), NotAfter: time.Now().Add(time.Hour),
		IPAddresses: []net.IP{net.IPv4(127, 0, 0, 1)}, BasicConstraintsValid: true,
	}
	if change != nil {
		change(c)
	}
	parent, signer := a.cert, a.key
	if parent == nil {
		c.IsCA, parent, signer = true, c, key
	}
	der, err := x509.CreateCertificate(rand.Reader, c, parent, &key.PublicKey, signer)
	require.NoError(a.t, err)
	keyDER, err := x509.MarshalECPrivateKey(key)
	require.NoError(a.t, err)
	require.NoError(a.t, os.WriteFile(a.file(name), pem.EncodeToMemory(&pem.Block{Type: "CERTIFICATE", Bytes: der}), 0o600))
	require.NoError(a.t, os.WriteFile(a.file(name+"-key"), pem.EncodeToMemory(&pem.Block{Type: "EC PRIVATE KEY", Bytes: keyDER}), 0o600))
	made, err := x509.ParseCertificate(der)
	require.NoError(a.t, err)
	return made, key
}

// client is the TLS side of a device with the named certificate, or none.
func (a *authority) client(name string) *tls.Config {
	a.t.Helper()
	conf := &tls.Config{RootCAs: x509.NewCertPool(), MinVersion: tls.VersionTLS12}
	conf.RootCAs.AddCert(a.cert)
	if name != "" {
		cert, err := tls.LoadX509KeyPair(a.file(name), a.file(name+"-key"))
		require.NoError(a.t, err)
		conf.Certificates = []tls.Certificate{cert}
	}
	return conf
}
