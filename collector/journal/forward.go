package journal

import (
	"context"
	"errors"
	"fmt"
	"sync"
	"time"

	"dwindle/collector/reading"
)

// A server may be named to receive what the journal holds. The journal stays the
// truth and keeps no second copy for it: an outbox is a place in each channel up
// to which the receiver has taken the readings. What comes, changes or is taken
// away at or before a place that was read already is put on record as late, in
// the transaction that changes it. Facts and lines that others hand in have
// queues of their own.
//
// Between the journal and the receiver nothing can fall, because a channel's
// reach (up to where changes count as late) is raised before it is read, while
// no commit is under way: what was committed before is seen by the reading, what
// is committed after is late or lies beyond. Places are written seldom, since
// the same readings sent again change nothing. So after a start nobody knows how
// far the receiver was given something, and the reach is then the newest reading
// of each channel: a change there is sent as late, perhaps without need.
//
// An outbox that holds nothing needs no bound of its own: readings wait in the
// journal, which keeps them as long as its own rule says, and for the receiver some
// time beyond (see WaitForReceiver); then the oldest are given up, which is counted.
// What forecasts need is never touched for it. Queues of lines and of what was
// refused have bounds (see QueueLines, Refused).
//
// With a journal put back from a snapshot the places go back, too, and readings
// are sent again. What the receiver has beyond the snapshot stays there.

// Outbox gives what is to be sent to the receiver. Next, Done and Back may be
// called from several goroutines; parcels are sent and done in the order in
// which they were given.
type Outbox struct {
	j      *Journal
	f      *forwarding
	anew   bool // under j.mu
	before string

	mu    sync.Mutex // holds what is below, and one Next, Done or Back
	gave  int64      // number of the last parcel
	given []*handed  // not done yet
	work  []piece    // of the time slice that is being read; read ones are cut off
	slice sliceSize
	read  queues // how far the queues were given out
	// nothing is how often it was asked to send again what was refused, when
	// nothing of it was left.
	nothing int64
	saved   time.Time
	unsave  int64 // rows done since
}

// Parcel is what is to be sent next, of one moment of the journal.
type Parcel struct {
	// Readings are first those of Ranges, in their order, and from Late on those
	// that go on from where the channels stood: each channel in time order, and
	// across channels older slices of time before newer ones.
	Readings []reading.Reading
	Late     int
	Ranges   []Range
	Facts    []reading.StoredFact // new, changed, moved, or confirmed
	Lines    []Line
	More     bool // something waits behind it

	n int64
}

// Empty says that there is nothing in the parcel.
func (p *Parcel) Empty() bool {
	return len(p.Readings) == 0 && len(p.Ranges) == 0 && len(p.Facts) == 0 && len(p.Lines) == 0
}

// Range is a stretch of a channel that has changed after it was sent: all that
// the journal now has of it is among the readings of the parcel. With Gone the
// receiver's stretch has to be deleted first, since something was taken away. A
// long stretch comes in several ranges.
//
// With Fact set it is about facts of that kind of a device (Quantity is empty,
// Device may be), which were moved: it is always Gone, and the facts that now
// stand in it are among those of the parcel. ID is that of the fact that was moved.
type Range struct {
	reading.Channel
	Fact     reading.FactKind
	ID       string
	From, To time.Time // both included, whole milliseconds: readings up to a ms later than To belong to it
	Gone     bool
}

// Line is a line of line protocol, ready to be sent.
type Line struct {
	Text []byte
}

// Refused is a line that the receiver did not take, kept aside. Without a Line
// nothing is kept: it is counted as given up under its reason, such as what is
// older than the receiver was told to keep.
type Refused struct {
	ID     int64     // set by the journal
	When   time.Time // set by the journal
	Line   []byte
	Reason string // a stable word, under which it is counted
	Status int    // of the answer
	Words  string // of the receiver

	// What the line was made of, so that it can be made anew: a reading's channel
	// and time, or the id of a fact. None of them: the line itself is sent again.
	Channel reading.Channel
	At      time.Time
	Fact    string
}

// Backlog says what waits.
type Backlog struct {
	Target    string
	Readings  int64     // waiting, late ones left out
	Estimated bool      // Readings is worked out from a part of the channels
	Channels  int       // with readings waiting
	Oldest    time.Time // of the readings waiting, or no later than that; zero: none wait
	Late      int64     // stretches that have changed
	Facts     int64
	Lines     int64
	Taken     time.Time // when the receiver last took something; zero: never, or not known
	// By reason, or by kind of line: what was given up, what is kept aside, and
	// what was driven out of there.
	GivenUp     map[string]int64
	Refused     map[string]int64
	Overwritten map[string]int64
}

// Names under which the outbox keeps its state in the file.
const (
	metaForward = "forward_target"
	metaTaken   = "forward_taken" // ms
)

// Counters of the outbox, each followed by a reason or a kind of line.
const (
	CountGivenUp            = "forward_given_up."
	CountRefused            = "forward_refused."
	CountRefusedOverwritten = "forward_overwritten."
)

// errOutbox means that another receiver was named meanwhile.
var errOutbox = errors.New("the outbox is of another receiver, or of none any more")

// Outbox gives the outbox for a receiver, which target names without secrets.
// Asked for the one that was given already, it gives that again, and what is not
// done is given out again. For another one than before all starts from the
// beginning. From the first call on, and over restarts, commits record what is
// late, until ForgetOutbox.
func (j *Journal) Outbox(ctx context.Context, target string) (*Outbox, error) {
	if target == "" {
		return nil, errors.New("open the outbox: the receiver has no name")
	}
	release, err := j.hold()
	if err != nil {
		return nil, fmt.Errorf("open the outbox: %w", err)
	}
	o, err := j.outbox(context.WithoutCancel(ctx), target)
	release()
	if err != nil {
		return nil, fmt.Errorf("open the outbox for %s: %w", target, j.fault(err))
	}
	o.Back()
	return o, nil
}

func (j *Journal) outbox(ctx context.Context, target string) (*Outbox, error) {
	if j.fwd != nil && j.fwd.target == target {
		if j.fwd.box == nil {
			j.fwd.box = &Outbox{j: j, f: j.fwd, slice: firstSlice}
		}
		j.fwd.box.anew, j.fwd.box.before = false, ""
		return j.fwd.box, nil
	}
	o := &Outbox{j: j, anew: true, slice: firstSlice}
	if j.fwd != nil {
		o.before = j.fwd.target
	}
	err := inTx(ctx, j.w, func() error {
		if err := j.dropForward(ctx); err != nil {
			return err
		}
		if err := j.setMeta(ctx, metaForward, target); err != nil {
			return err
		}
		_, err := j.w.ExecContext(ctx, "INSERT INTO forward_fact (id) SELECT id FROM fact ORDER BY at, received, id")
		return err
	})
	if err != nil {
		return nil, err
	}
	if err := j.loadForward(ctx); err != nil {
		return nil, err
	}
	o.f, j.fwd.box = j.fwd, o
	return o, nil
}

// Anew says that all starts from the beginning, until the outbox is asked for once
// more; before is the receiver that was named until then, empty if there was none.
func (o *Outbox) Anew() (before string, ok bool) {
	o.j.mu.Lock()
	defer o.j.mu.Unlock()
	return o.before, o.anew
}

// ForgetOutbox says that nobody receives any more: nothing is recorded from here
// on, and a receiver that is named again starts from the beginning. Lines that
// wait are given up; what was refused stays until it is overwritten.
func (j *Journal) ForgetOutbox(ctx context.Context) error {
	release, err := j.hold()
	if err != nil {
		return fmt.Errorf("forget the outbox: %w", err)
	}
	defer release()
	if j.fwd == nil {
		return nil
	}
	ctx = context.WithoutCancel(ctx)
	err = inTx(ctx, j.w, func() error {
		if err := j.dropForward(ctx); err != nil {
			return err
		}
		_, err := j.w.ExecContext(ctx, "DELETE FROM forward_line; DELETE FROM meta WHERE name = '"+metaForward+"'")
		return err
	})
	if err != nil {
		return fmt.Errorf("forget the outbox: %w", j.fault(err))
	}
	j.fwd = nil
	return nil
}

// dropForward forgets where the receiver stands.
func (j *Journal) dropForward(ctx context.Context) error {
	_, err := j.w.ExecContext(ctx, "DELETE FROM forward; DELETE FROM forward_late; DELETE FROM forward_fact; DELETE FROM mark; UPDATE refused SET resend = 0; DELETE FROM meta WHERE name = '"+metaTaken+"'")
	return err
}

// Ready gets something when there may be something new since Next was called
// last.
func (o *Outbox) Ready() <-chan struct{} { return o.f.ready }

// current says whether the outbox is still the one in use. Under j.mu.
func (o *Outbox) current() error {
	if o.j.fwd != o.f {
		return errOutbox
	}
	return nil
}
