package mqtt

import (
	"crypto/rand"
	"encoding/hex"
	"encoding/json"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"slices"
	"time"
)

// identity is what a client has to remember between runs so that the broker
// keeps one session for it. It lives in the data directory.
type identity struct {
	// ClientID names the session. Made once: a second id would leave the
	// first one's messages at the broker.
	ClientID string `json:"client_id"`
	// Session says that the broker has held a session of this id.
	Session bool `json:"session"`
	// Filters are the topics that session is subscribed to, or may be because
	// they were asked for, so that one no longer wanted can be given up.
	Filters []string `json:"filters"`
	// Seen is when the session was last in use for certain, UTC.
	Seen time.Time `json:"seen,omitzero"`
	// Delivered are the topics by which a message has come at some time.
	Delivered []string `json:"delivered,omitempty"`

	path string
}

// NewClientID makes a client id that nobody else has. It is random, not the
// host's name: two boxes from one image would otherwise take each other's
// session. 22 characters: the 23 that every broker must accept (MQTT 3.1.1,
// 3.1.3.1).
func NewClientID() string {
	var b [7]byte
	_, _ = rand.Read(b[:]) // never fails
	return "dwindle-" + hex.EncodeToString(b[:])
}

func identityPath(dir, name string) string {
	return filepath.Join(dir, "mqtt-"+name+".json")
}

// loadIdentity reads the identity, or makes and stores a new one. A wanted
// client id overrides the stored one; another id is another session.
func loadIdentity(dir, name, wanted string) (*identity, error) {
	id := &identity{path: identityPath(dir, name)}
	text, err := os.ReadFile(id.path)
	switch {
	case errors.Is(err, fs.ErrNotExist):
	case err != nil:
		return nil, fmt.Errorf("read the client id of %s: %w", name, err)
	default:
		if err := json.Unmarshal(text, id); err != nil {
			return nil, fmt.Errorf("read the client id of %s in %s: %w\n"+
				"try: delete it, which makes a new id; what the broker holds for the old one is lost, unless client_id: in the site file names that one, which the broker's log shows. Backups do not hold this file", name, id.path, err)
		}
	}
	switch {
	case wanted != "" && wanted != id.ClientID:
		*id = identity{ClientID: wanted, path: id.path}
	case id.ClientID == "":
		id.ClientID = NewClientID()
	default:
		return id, nil
	}
	return id, id.store()
}

// asks notes, before the broker is asked, what it will be asked for: an answer
// that is lost, or one that refuses some of them, leaves the session subscribed
// to the others.
func (id *identity) asks(filters []string) error {
	all := union(id.Filters, filters)
	if slices.Equal(all, union(id.Filters)) {
		return nil
	}
	id.Filters = all
	return id.store()
}

// opened notes that the broker now holds a session subscribed to filters and to
// nothing else.
func (id *identity) opened(filters []string) error {
	filters = union(filters)
	if id.Session && slices.Equal(id.Filters, filters) {
		return nil
	}
	id.Session, id.Filters = true, filters
	return id.store()
}

// seen notes that the session was in use up to a time.
func (id *identity) seen(at time.Time) error {
	id.Seen = at.UTC().Truncate(time.Second)
	return id.store()
}

// hasDelivered says whether a message has ever come by just these filters.
func (id *identity) hasDelivered(filters []string) bool {
	return slices.Equal(id.Delivered, union(filters))
}

// delivered notes that one has.
func (id *identity) delivered(filters []string) error {
	if id.hasDelivered(filters) {
		return nil
	}
	id.Delivered = union(filters)
	return id.store()
}

// store replaces the file in one step, so that a power cut leaves the old or
// the new one.
func (id *identity) store() error {
	wrap := func(err error) error { return fmt.Errorf("store the client id in %s: %w", id.path, err) }
	text, err := json.Marshal(id)
	if err != nil {
		return wrap(err)
	}
	dir := filepath.Dir(id.path)
	f, err := os.CreateTemp(dir, ".mqtt-*")
	if err != nil {
		return wrap(err)
	}
	defer func() { _ = os.Remove(f.Name()) }() // gone after the rename
	_, err = f.Write(append(text, '\n'))
	if err = errors.Join(err, f.Sync(), f.Close()); err != nil {
		return wrap(err)
	}
	if err := os.Rename(f.Name(), id.path); err != nil {
		return wrap(err)
	}
	d, err := os.Open(dir)
	if err != nil {
		return wrap(err)
	}
	return errors.Join(d.Sync(), d.Close())
}
