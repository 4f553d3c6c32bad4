package account

import (
	"bytes"
	"context"
	"crypto/hmac"
	"crypto/rand"
	"crypto/sha256"
	"errors"
	"fmt"
	"net/netip"
	"os"
	"strings"
	"sync"
	"time"

	"golang.org/x/sync/semaphore"
)

// maxFileBytes bounds the file: 10,000 accounts need 1.3 MB.
const maxFileBytes = 16 << 20

// hashesAtOnce bounds the memory that logins take: 2 x 19 MiB.
const hashesAtOnce = 2

// The reasons why a login is refused. They are for the log: who tries is told
// nothing.
var (
	ErrUnknown  = errors.New("there is no such account")
	ErrPassword = errors.New("wrong password")
	ErrTooMany  = errors.New("too many failed logins; it has to wait")
	ErrFile     = errors.New("the file of accounts cannot be read")
	ErrBusy     = errors.New("ended while waiting for its turn")
)

// File is a file of accounts, read again when it has changed. Safe for
// concurrent use.
type File struct {
	path  string
	valid func(name string) bool
	turn  *semaphore.Weighted
	limit *limiter
	// decoy is hashed where there is no such account, so that the time does not
	// tell which names exist.
	decoy hashed

	mu       sync.Mutex
	stamp    stamp
	accounts map[string]hashed
	faults   []string
	// proven remembers, under a key of this run, which password matched which
	// hash: devices that come back after a break need no second hashing.
	secret []byte
	proven map[string][sha256.Size]byte
}

// stamp tells a file from an earlier one under the same name.
type stamp struct {
	at    time.Time
	size  int64
	known bool
}

// Open prepares a file of accounts and reads it once. valid says which names
// can be accounts.
func Open(path string, valid func(name string) bool) (*File, error) {
	f := &File{
		path: path, valid: valid, turn: semaphore.NewWeighted(hashesAtOnce), limit: newLimiter(),
		decoy:  hashed{cost: usualCost, salt: make([]byte, saltBytes), key: make([]byte, keyBytes)},
		secret: make([]byte, sha256.Size), proven: map[string][sha256.Size]byte{},
	}
	_, _ = rand.Read(f.secret) // never fails
	_, _ = rand.Read(f.decoy.key)
	if err := f.Refresh(); err != nil {
		return nil, err
	}
	return f, nil
}

// Refresh reads the file again if it has changed. Where it cannot be read
// nobody has an account, so that one that was taken out does not live on.
func (f *File) Refresh() error {
	f.mu.Lock()
	defer f.mu.Unlock()
	return f.refresh()
}

func (f *File) refresh() error {
	fail := func(err error) error {
		f.accounts, f.faults, f.stamp = nil, nil, stamp{}
		return fmt.Errorf("read the accounts of the embedded broker: %w", err)
	}
	info, err := os.Stat(f.path)
	if err != nil {
		return fail(err)
	}
	now := stamp{info.ModTime(), info.Size(), true}
	if now == f.stamp {
		return nil
	}
	if info.IsDir() || info.Size() > maxFileBytes {
		return fail(fmt.Errorf("%s is no file of at most %d MiB", f.path, maxFileBytes>>20))
	}
	text, err := os.ReadFile(f.path)
	if err != nil {
		return fail(err)
	}
	f.stamp = now
	f.accounts, f.faults = read(text, f.valid)
	for name := range f.proven {
		if _, ok := f.accounts[name]; !ok {
			delete(f.proven, name)
		}
	}
	return nil
}

// read takes the file apart. A line that cannot be used is no account and is
// told; the others stand.
func read(text []byte, valid func(string) bool) (accounts map[string]hashed, faults []string) {
	accounts = map[string]hashed{}
	n := 0
	for line := range bytes.Lines(text) {
		n++
		s := strings.TrimSpace(string(line))
		if s == "" || strings.HasPrefix(s, "#") {
			continue
		}
		name, hash, ok := strings.Cut(s, ":")
		_, twice := accounts[name]
		h, err := parse(hash)
		switch {
		case !ok || !valid(name):
			faults = append(faults, fmt.Sprintf("line %d: not a name, a colon and a hash", n))
		case twice:
			faults = append(faults, fmt.Sprintf("line %d: %s has an account already", n, name))
		case err != nil:
			faults = append(faults, fmt.Sprintf("line %d: %s: %v", n, name, err))
		default:
			accounts[name] = h
		}
	}
	return accounts, faults
}

// Faults are the lines that cannot be used, as the file was read last.
func (f *File) Faults() []string {
	f.mu.Lock()
	defer f.mu.Unlock()
	return append([]string(nil), f.faults...)
}

// Login says whether an account's password is right, with one of the errors
// above if not. It reads the file again if that has changed, hashes at a
// bounded pace, and holds off who fails often.
func (f *File) Login(ctx context.Context, name string, password []byte, from netip.Addr, now time.Time) error {
	f.mu.Lock()
	if f.refresh() != nil {
		f.mu.Unlock()
		return ErrFile
	}
	h, known := f.accounts[name]
	proof, proven := f.proven[name]
	f.mu.Unlock()

	mac := f.mac(name, h, password)
	if known && proven && hmac.Equal(mac[:], proof[:]) {
		f.limit.succeeded(from, name)
		return nil
	}
	if !f.limit.allowed(from, name, now) {
		return ErrTooMany
	}
	if err := f.turn.Acquire(ctx, 1); err != nil {
		return ErrBusy
	}
	if !known {
		h = f.decoy
	}
	if len(password) > maxPassword {
		password = password[:maxPassword+1] // no hash is of so long a one
	}
	right := h.matches(password)
	f.turn.Release(1)
	if !known || !right {
		f.limit.failed(from, name, now)
		if !known {
			return ErrUnknown
		}
		return ErrPassword
	}
	f.limit.succeeded(from, name)
	f.mu.Lock()
	defer f.mu.Unlock()
	// The file may have been read again meanwhile.
	if is, ok := f.accounts[name]; ok && is.String() == h.String() {
		f.proven[name] = mac
	}
	return nil
}

// mac binds a password to a name and to the hash that it matched.
func (f *File) mac(name string, h hashed, password []byte) (out [sha256.Size]byte) {
	m := hmac.New(sha256.New, f.secret)
	for _, part := range [][]byte{[]byte(name), []byte(h.String()), password} {
		fmt.Fprintf(m, "%d:", len(part))
		m.Write(part)
	}
	copy(out[:], m.Sum(nil))
	return out
}
