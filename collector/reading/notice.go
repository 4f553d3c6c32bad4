package reading

import "time"

// Notice is something that was noticed and that somebody may have to look up
// later: a suspicion about a device's readings, a session that was lost. It is
// no alarm; it is kept, bounded in number, whether anybody looks or not.
type Notice struct {
	Kind   string    `json:"kind"`             // a stable word
	Device string    `json:"device,omitempty"` // empty: of this program's own
	About  string    `json:"about,omitempty"`  // what of the device: a kind of message; part of the key
	At     time.Time `json:"at"`               // when it began, UTC
	// Until is when it was over; zero while it lasts. What took no time has At.
	Until    time.Time `json:"until,omitzero"`
	Words    string    `json:"words"`    // one sentence
	Evidence string    `json:"evidence"` // what it rests on
	// Data is for the part that made the notice.
	Data string `json:"-"`
}

// Lasts says that it is not over.
func (n Notice) Lasts() bool { return n.Until.IsZero() }
