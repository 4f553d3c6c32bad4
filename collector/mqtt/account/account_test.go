package account

import (
	"fmt"
	"net/netip"
	"os"
	"path/filepath"
	"regexp"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
)

var (
	here  = netip.MustParseAddr("192.0.2.7")
	there = netip.MustParseAddr("192.0.2.8")
	now   = time.Date(2026, 3, 2, 6, 0, 0, 0, time.UTC)
	names = regexp.MustCompile(`^[a-z0-9-]+$`)
)

const right = "a-long-passw0rd"

// cheap makes hashes of little cost, for tests that hash often.
func cheap(password string) string {
	h := hashed{cost: cost{minMemoryKiB, 1, 1}, salt: []byte("0123456789abcdef")}
	h.key = h.of([]byte(password), keyBytes)
	return h.String()
}

func open(t *testing.T, text string) (*File, string) {
	t.Helper()
	path := filepath.Join(t.TempDir(), "accounts")
	require.NoError(t, os.WriteFile(path, []byte(text), 0o600))
	f, err := Open(path, names.MatchString)
	require.NoError(t, err)
	f.decoy.cost = cost{minMemoryKiB, 1, 1}
	return f, path
}

func TestAHashIsOfItsPasswordAlone(t *testing.T) {
	text, err := Hash([]byte(right))
	require.NoError(t, err)
	require.Regexp(t, `^\$argon2id\$v=19\$m=19456,t=2,p=1\$[A-Za-z0-9+/]{22}\$[A-Za-z0-9+/]{43}$`, text)
	h, err := parse(text)
	require.NoError(t, err)
	require.Equal(t, text, h.String())
	require.True(t, h.matches([]byte(right)))
	require.False(t, h.matches([]byte(right+"x")))
	again, err := Hash([]byte(right))
	require.NoError(t, err)
	require.NotEqual(t, text, again, "another salt")

	_, err = Hash([]byte("short"))
	require.ErrorContains(t, err, "try: 12 or more")
	_, err = Hash([]byte(strings.Repeat("x", maxPassword+1)))
	require.ErrorContains(t, err, "or fewer")
}

// From the tests of the reference implementation (D. Dinu et al., phc-winner-argon2,
// src/test.c, Argon2id of version 19).
func TestAHashThatAnotherProgramMade(t *testing.T) {
	h, err := parse("$argon2id$v=19$m=65536,t=2,p=1$c29tZXNhbHQ$CTFhFdXPJO1aFaMaO6Mm5c8y7cJHAph8ArZWb2GRPPc")
	require.NoError(t, err)
	require.True(t, h.matches([]byte("password")))
	require.False(t, h.matches([]byte("passwore")))
}

func TestHashesThatAreRefused(t *testing.T) {
	good := cheap(right)
	_, err := parse(good)
	require.NoError(t, err)
	for what, text := range map[string]string{
		"empty":           "",
		"plain":           right,
		"another kind":    strings.Replace(good, "argon2id", "argon2i", 1),
		"another version": strings.Replace(good, "v=19", "v=16", 1),
		"memory":          strings.Replace(good, "m=8192", "m=4194304", 1),
		"little memory":   strings.Replace(good, "m=8192", "m=8", 1),
		"passes":          strings.Replace(good, "t=1", "t=17", 1),
		"no pass":         strings.Replace(good, "t=1", "t=0", 1),
		"lanes":           strings.Replace(good, "p=1", "p=300", 1),
		"order":           strings.Replace(good, "m=8192,t=1", "t=1,m=8192", 1),
		"trailing":        strings.Replace(good, "p=1", "p=1,x=2", 1),
		"padding":         good + "=",
		"short key":       good[:len(good)-30],
		"one more":        good + "$x",
	} {
		_, err := parse(text)
		require.Error(t, err, what)
		require.NotContains(t, err.Error(), right, what)
	}
}

func FuzzParse(f *testing.F) {
	f.Add(cheap(right))
	f.Add("$argon2id$v=19$m=8192,t=1,p=1$$")
	f.Fuzz(func(t *testing.T, text string) {
		if h, err := parse(text); err == nil && h.String() != text {
			t.Fatalf("%q is read as %q", text, h)
		}
	})
}

func TestLogin(t *testing.T) {
	f, path := open(t, "# devices\n\ndisp-01:"+cheap(right)+"\ndisp-02:"+cheap("another-passw0rd")+"\n")
	ctx := t.Context()
	require.NoError(t, f.Login(ctx, "disp-01", []byte(right), here, now))
	require.NoError(t, f.Login(ctx, "disp-01", []byte(right), here, now), "and once more, without hashing")
	require.ErrorIs(t, f.Login(ctx, "disp-01", []byte("another-passw0rd"), here, now), ErrPassword)
	require.ErrorIs(t, f.Login(ctx, "disp-02", []byte(right), here, now), ErrPassword)
	require.ErrorIs(t, f.Login(ctx, "disp-03", []byte(right), here, now), ErrUnknown)
	require.ErrorIs(t, f.Login(ctx, "", nil, here, now), ErrUnknown)
	require.ErrorIs(t, f.Login(ctx, "disp-01", []byte(right+strings.Repeat("x", 60_000)), here, now), ErrPassword)

	// The file counts as it is now.
	require.NoError(t, os.WriteFile(path, []byte("disp-01:"+cheap("a-changed-passw0rd")+"\n"), 0o600))
	require.ErrorIs(t, f.Login(ctx, "disp-01", []byte(right), there, now), ErrPassword)
	require.NoError(t, f.Login(ctx, "disp-01", []byte("a-changed-passw0rd"), there, now))
	require.ErrorIs(t, f.Login(ctx, "disp-02", []byte("another-passw0rd"), there, now), ErrUnknown)

	require.NoError(t, os.Remove(path))
	require.ErrorIs(t, f.Login(ctx, "disp-01", []byte("a-changed-passw0rd"), there, now), ErrFile)
	_, err := Open(path, names.MatchString)
	require.ErrorContains(t, err, "read the accounts")
}

func TestLinesThatCannotBeUsedAreToldAndTheOthersStand(t *testing.T) {
	f, _ := open(t, strings.Join([]string{
		"no colon", "a/b:" + cheap(right), "disp-01:secret-in-the-clear", "disp-02:" + cheap(right), "disp-02:" + cheap(right), "disp-03:" + cheap(right) + "\r",
	}, "\n"))
	require.Equal(t, []string{
		"line 1: not a name, a colon and a hash",
		"line 2: not a name, a colon and a hash",
		"line 3: disp-01: not an argon2id hash as `dwindle account` writes it",
		"line 5: disp-02 has an account already",
	}, f.Faults())
	require.NoError(t, f.Login(t.Context(), "disp-02", []byte(right), here, now))
	require.NoError(t, f.Login(t.Context(), "disp-03", []byte(right), here, now))
}

func TestWhoFailsOftenHasToWait(t *testing.T) {
	f, _ := open(t, "disp-01:"+cheap(right)+"\ndisp-02:"+cheap(right)+"\n")
	ctx := t.Context()
	require.NoError(t, f.Login(ctx, "disp-02", []byte(right), here, now))
	for range failsOfAccount {
		require.ErrorIs(t, f.Login(ctx, "disp-01", []byte("wrong"), here, now), ErrPassword)
	}
	require.ErrorIs(t, f.Login(ctx, "disp-01", []byte(right), here, now), ErrTooMany, "not even rightly, or guesses could go on")
	require.NoError(t, f.Login(ctx, "disp-01", []byte(right), there, now), "from elsewhere it may")
	require.NoError(t, f.Login(ctx, "disp-02", []byte(right), here, now), "its neighbour is let in")
	require.NoError(t, f.Login(ctx, "disp-01", []byte(right), here, now.Add(failWindow)))

	// Many names from one address: the address has to wait, but for those that
	// were proven before.
	for i := range failsOfAddress {
		require.Error(t, f.Login(ctx, fmt.Sprint("x-", i), []byte("wrong"), there, now))
	}
	require.ErrorIs(t, f.Login(ctx, "y", []byte("wrong"), there, now), ErrTooMany)
	require.NoError(t, f.Login(ctx, "disp-02", []byte(right), there, now))
}

func TestAFailedLoginIsForgottenInTimeAndInNumber(t *testing.T) {
	l := newLimiter()
	for i := range maxFailures + 10 {
		l.failed(netip.AddrFrom4([4]byte{10, byte(i >> 16), byte(i >> 8), byte(i)}), "x", now.Add(time.Duration(i)*time.Millisecond))
	}
	require.LessOrEqual(t, len(l.m), maxFailures)
	l.failed(here, "x", now.Add(time.Hour))
	require.LessOrEqual(t, len(l.m), 2, "the others were over")
}

func TestAnAddressIsAMachine(t *testing.T) {
	a, b := netip.MustParseAddr("2001:db8::1"), netip.MustParseAddr("2001:db8::ffff:1")
	require.Equal(t, network(a), network(b))
	require.NotEqual(t, network(a), network(netip.MustParseAddr("2001:db8:1::1")))
	require.Equal(t, network(here), network(netip.MustParseAddr("::ffff:192.0.2.7")))
	require.NotEqual(t, network(here), network(there))
	require.NotPanics(t, func() { network(netip.Addr{}) })
}
