package alarm

import (
	"slices"
	"time"
)

// Key names one alarm: a type at a subject. The subject is a point, a device
// (dispenser or machine), a gateway or a part of the collector, as the type says.
type Key struct {
	Type    Type   `json:"type"`
	Subject string `json:"subject"`
}

// Shelving is a person's wish not to be bothered until a time.
type Shelving struct {
	Until  time.Time `json:"until"`
	Once   bool      `json:"once,omitempty"` // also ends when the condition clears
	By     string    `json:"by"`
	Reason string    `json:"reason"`
}

// Acknowledgement says who has seen an occurrence.
type Acknowledgement struct {
	By   string    `json:"by"`
	At   time.Time `json:"at"`
	Note string    `json:"note,omitempty"`
}

// Order takes an alarm out of service.
type Order struct {
	Number string    `json:"number"`
	By     string    `json:"by"`
	Reason string    `json:"reason"`
	Back   time.Time `json:"back,omitzero"` // expected return
}

// Alarm holds the independent facts about one key, from which the label is
// derived. It is stored as it is, so that a restart changes nothing.
type Alarm struct {
	Key
	// Condition is true once confirmed, false once its clearing is confirmed.
	Condition bool `json:"condition"`
	// Unacked says that the announced occurrence was not acknowledged yet.
	Unacked bool `json:"unacked,omitempty"`
	// Latched keeps a latching occurrence listed until a person resets it.
	Latched      bool      `json:"latched,omitempty"`
	Shelved      *Shelving `json:"shelved,omitempty"`
	Suppressed   []Rule    `json:"suppressed,omitempty"`
	OutOfService *Order    `json:"out_of_service,omitempty"`

	// Occurrence is the id of the current occurrence, or of the last one.
	Occurrence string `json:"occurrence,omitempty"`
	// Episode keeps apart conditions of one type that are not one occurrence,
	// such as two fills or two directions.
	Episode string `json:"episode,omitempty"`
	// Latching is what the observation that began the occurrence asked for.
	Latching     bool             `json:"latching,omitempty"`
	Began        time.Time        `json:"began,omitzero"`
	Announced    time.Time        `json:"announced,omitzero"` // zero: nobody was told yet
	Ended        time.Time        `json:"ended,omitzero"`
	EndReason    string           `json:"end_reason,omitempty"`
	Acknowledged *Acknowledgement `json:"acknowledged,omitempty"`
	Escalated    time.Time        `json:"escalated,omitzero"`
	Settling     time.Time        `json:"settling,omitzero"` // suppression ended then; announce only after the on-delay
	Priority     Priority         `json:"priority,omitempty"`

	// Run counts successive like observations that are not confirmed yet.
	Run Run `json:"run,omitzero"`
	// Seen is what the last set observation said, for the rows.
	Seen Seen `json:"seen,omitzero"`
}

// Run counts successive observations of one kind towards a delay.
type Run struct {
	Set      bool      `json:"set,omitempty"` // what is counted: sets or clears
	Count    int       `json:"count,omitempty"`
	First    time.Time `json:"first,omitzero"`
	Last     time.Time `json:"last,omitzero"`
	Evidence time.Time `json:"evidence,omitzero"`
}

// Seen is what was observed, in numbers and in words, about the subject.
type Seen struct {
	Point          string    `json:"point,omitempty"`
	Device         string    `json:"device,omitempty"`
	Gateway        string    `json:"gateway,omitempty"`
	Machine        string    `json:"machine,omitempty"`
	Part           string    `json:"part,omitempty"` // of the collector
	Value          float64   `json:"value"`
	Limit          float64   `json:"limit"`
	Unit           string    `json:"unit"`
	Detail         string    `json:"detail,omitempty"`
	Cause          string    `json:"cause,omitempty"`
	Consequence    string    `json:"consequence,omitempty"`
	Response       []string  `json:"response,omitempty"`
	Owner          string    `json:"owner,omitempty"`
	PriorityReason string    `json:"priority_reason,omitempty"`
	ActBy          time.Time `json:"act_by,omitzero"`
	Children       []string  `json:"children,omitempty"`
}

// Announcing says that people were told of the current occurrence.
func (a *Alarm) Announcing() bool { return !a.Announced.IsZero() }

// Open says that the alarm belongs in the list: its condition holds, or its
// return was not seen yet, or it is latched.
func (a *Alarm) Open() bool { return a.Condition || a.Unacked || a.Latched }

// State derives the label, in the order of precedence: out of service, shelved,
// suppressed, then what the condition and the acknowledgement say.
func (a *Alarm) State() State {
	switch {
	case a.OutOfService != nil:
		return OutOfService
	case a.Shelved != nil:
		return Shelved
	case len(a.Suppressed) > 0 && a.Open():
		return SuppressedByDesign
	case !a.Settling.IsZero() && a.Condition && !a.Announcing():
		return SuppressedByDesign
	}
	return a.base()
}

// base is the label without the three suppressions.
func (a *Alarm) base() State {
	switch {
	case a.Condition && a.Unacked:
		return Unacknowledged
	case a.Condition:
		return Acknowledged
	case a.Latched && a.Unacked:
		return LatchedUnacked
	case a.Latched:
		return LatchedAcked
	case a.Unacked:
		return ReturnedUnacked
	}
	return Normal
}

// Row gives the current or last occurrence as people read it.
func (a *Alarm) Row() Row {
	r := Row{
		ID: a.Occurrence, Type: a.Type, Point: a.Seen.Point, Device: a.Seen.Device, Gateway: a.Seen.Gateway, Machine: a.Seen.Machine, Part: a.Seen.Part,
		State: a.State(), Priority: a.Priority, PriorityReason: a.Seen.PriorityReason, Since: a.Began,
		Value: a.Seen.Value, Limit: a.Seen.Limit, Unit: a.Seen.Unit, Detail: a.Seen.Detail,
		Cause: a.Seen.Cause, Consequence: a.Seen.Consequence, Response: slices.Clone(a.Seen.Response), Owner: a.Seen.Owner,
		Children: slices.Clone(a.Seen.Children), EndReason: a.EndReason,
		Ended: maybe(a.Ended), Announced: maybe(a.Announced), EscalatedAt: maybe(a.Escalated), ActBy: maybe(a.Seen.ActBy),
	}
	if k := a.Acknowledged; k != nil {
		r.AcknowledgedBy, r.AcknowledgedAt, r.AcknowledgeNote = k.By, maybe(k.At), k.Note
	}
	if s := a.Shelved; s != nil {
		r.ShelvedUntil, r.ShelvedBy, r.ShelveReason = maybe(s.Until), s.By, s.Reason
	}
	for _, rule := range a.Suppressed {
		r.SuppressedBy = append(r.SuppressedBy, rule.Words())
	}
	return r
}

func maybe(t time.Time) *time.Time {
	if t.IsZero() {
		return nil
	}
	return &t
}
