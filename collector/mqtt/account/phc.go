// Package account knows who may log in at the embedded broker: a file of names
// with hashed passwords, checked at a bounded pace and cost.
//
// The file has one account a line, its name, a colon and the hash; empty lines
// and those that begin with # are passed over. Hashes are Argon2id (A. Biryukov
// et al., RFC 9106, 2021) in the PHC string format:
//
//	disp-01:$argon2id$v=19$m=19456,t=2,p=1$SALT$HASH
//
// It imports nothing of ours. Start with [Hash] and [Open].
package account

import (
	"crypto/rand"
	"crypto/subtle"
	"encoding/base64"
	"errors"
	"fmt"
	"math"
	"strings"

	"golang.org/x/crypto/argon2"
)

// cost is what one hash takes.
type cost struct {
	memoryKiB, passes uint32
	lanes             uint8
}

// usualCost is the least that is held to be enough where memory is scarce: 19
// MiB, 2 passes, 1 lane (OWASP Password Storage Cheat Sheet, 2023; from
// memory). RFC 9106 recommends 64 MiB and 3 passes, which a gateway with many
// devices cannot spare.
var usualCost = cost{memoryKiB: 19 << 10, passes: 2, lanes: 1}

// Bounds of a hash that is accepted from a file: a typing error must not take
// the machine's memory. The lower ones keep a hash from being worth nothing.
const (
	minMemoryKiB, maxMemoryKiB = 8 << 10, 128 << 10
	maxPasses, maxLanes        = 16, 8
	minSalt, minKey            = 8, 16
	maxField                   = 64 // bytes of salt and of key
)

const (
	saltBytes = 16 // RFC 9106, 3.1
	keyBytes  = 32
)

// MinPassword is the least length of a password, in bytes (common practice).
const MinPassword = 12

// maxPassword bounds what is hashed; MQTT allows 64 KiB.
const maxPassword = 1024

// hashed is a password hash taken apart.
type hashed struct {
	cost
	salt, key []byte
}

// Hash makes the hash of a password under a new salt.
func Hash(password []byte) (string, error) {
	switch {
	case len(password) < MinPassword:
		return "", fmt.Errorf("hash a password: it has %d characters\ntry: %d or more; a device's password is typed once", len(password), MinPassword)
	case len(password) > maxPassword:
		return "", fmt.Errorf("hash a password: it has %d characters\ntry: %d or fewer", len(password), maxPassword)
	}
	salt := make([]byte, saltBytes)
	_, _ = rand.Read(salt) // never fails
	h := hashed{cost: usualCost, salt: salt}
	h.key = h.of(password, keyBytes)
	return h.String(), nil
}

func (h hashed) of(password []byte, n int) []byte {
	return argon2.IDKey(password, h.salt, h.passes, h.memoryKiB, h.lanes, uint32(n))
}

// String writes the PHC form.
func (h hashed) String() string {
	b := base64.RawStdEncoding
	return fmt.Sprintf("$argon2id$v=%d$m=%d,t=%d,p=%d$%s$%s", argon2.Version, h.memoryKiB, h.passes, h.lanes,
		b.EncodeToString(h.salt), b.EncodeToString(h.key))
}

// matches says whether a password has this hash, in a time that does not depend
// on where they differ.
func (h hashed) matches(password []byte) bool {
	return subtle.ConstantTimeCompare(h.of(password, len(h.key)), h.key) == 1
}

var errForm = errors.New("not an argon2id hash as `dwindle account` writes it")

// parse reads the PHC form. Errors do not repeat the text.
func parse(text string) (hashed, error) {
	var h hashed
	parts := strings.Split(text, "$")
	if len(parts) != 6 || parts[0] != "" || parts[1] != "argon2id" {
		return h, errForm
	}
	if parts[2] != fmt.Sprintf("v=%d", argon2.Version) {
		return h, errors.New("a hash of another version of argon2")
	}
	var m, t, p uint32
	if n, err := fmt.Sscanf(parts[3], "m=%d,t=%d,p=%d", &m, &t, &p); err != nil || n != 3 || parts[3] != fmt.Sprintf("m=%d,t=%d,p=%d", m, t, p) {
		return h, errForm
	}
	if m < minMemoryKiB || m > maxMemoryKiB || t < 1 || t > maxPasses || p < 1 || p > maxLanes || p > math.MaxUint8 {
		return h, fmt.Errorf("a hash whose cost is out of bounds: memory %d to %d KiB, passes 1 to %d, lanes 1 to %d", minMemoryKiB, maxMemoryKiB, maxPasses, maxLanes)
	}
	h.cost = cost{m, t, uint8(p)}
	var err error
	for _, f := range []struct {
		text  string
		into  *[]byte
		least int
	}{{parts[4], &h.salt, minSalt}, {parts[5], &h.key, minKey}} {
		if *f.into, err = base64.RawStdEncoding.Strict().DecodeString(f.text); err != nil || len(*f.into) < f.least || len(*f.into) > maxField {
			return h, errForm
		}
	}
	return h, nil
}
