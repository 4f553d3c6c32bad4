package collector

import (
	"context"
	"errors"
	"fmt"
	"time"

	"dwindle/collector/decode"
	"dwindle/collector/journal"
)

// RerunOptions choose the messages that are run again.
type RerunOptions struct {
	Device string `json:"device,omitempty"` // as it is understood now; of kept messages also then; empty: all
	Reason string `json:"reason,omitempty"` // kept aside for; empty: all, and no reason too
	// From and To bound the receive times, both included; zero: no bound. With
	// From, messages that were understood then are run again as well.
	From  time.Time `json:"from,omitzero"`
	To    time.Time `json:"to,omitzero"`
	Trial bool      `json:"trial,omitempty"` // only tell what would be
}

// Rerun says what became of messages that were run again.
type Rerun struct {
	Kept       int64            `json:"kept_run"`       // messages that were kept aside before
	Understood int64            `json:"understood_run"` // messages that were understood before
	Stored     int64            `json:"stored"`         // gave at least one new reading or fact
	Duplicates int64            `json:"duplicates"`     // held nothing new
	Replaced   int64            `json:"replaced"`       // readings that gave way; they are kept aside
	StillKept  map[string]int64 `json:"still_kept"`     // by reason
	NoMore     int64            `json:"no_more"`        // understood then and not now: what they gave stays
	Forgotten  int64            `json:"forgotten"`      // devices that left the list of unknown ones
	Unreadable int64            `json:"unreadable"`     // damaged blocks of the ring of understood messages
}

// Rerun runs messages that came before through the decoder and into the journal
// once more, as received then, and returns when the daily figures follow from
// them. Kept-aside messages that are understood now leave the ring in the same
// transaction. See [journal.Journal.RerunRaw] for what becomes of readings that
// a message gave before. Nothing is counted as received again. In a trial
// nothing is changed; what two messages of one stretch would both bring it may
// tell twice.
func (in *Intake) Rerun(ctx context.Context, opt RerunOptions) (out Rerun, err error) {
	in.rerunning.Lock() // a block of the ring is read, understood and written back
	defer in.rerunning.Unlock()
	out.StillKept = map[string]int64{}
	fail := func(err error) (Rerun, error) { return out, fmt.Errorf("run messages again: %w", err) }
	// What is waiting belongs before.
	if err := in.Flush(ctx); err != nil {
		return fail(err)
	}
	var blocks []journal.RawBlock
	if !opt.From.IsZero() && opt.Reason == "" {
		if err := in.j.SaveRaw(ctx); err != nil {
			return fail(err)
		}
		to := opt.To
		if to.IsZero() {
			to = endOfTime
		}
		if blocks, err = in.j.RawBlocks(ctx, opt.From, to); err != nil {
			return fail(err)
		}
	}
	if err := in.rerunKept(ctx, opt, &out); err != nil {
		return fail(err)
	}
	for _, b := range blocks {
		if err := in.rerunRaw(ctx, opt, b.ID, &out); err != nil {
			return fail(err)
		}
	}
	if opt.Trial {
		return out, nil
	}
	if err := in.forget(ctx, &out); err != nil {
		return fail(err)
	}
	if err := in.Flush(ctx); err != nil {
		return fail(err)
	}
	return out, nil
}

func (in *Intake) rerunKept(ctx context.Context, opt RerunOptions, out *Rerun) error {
	last, err := in.j.NewestKept(ctx)
	if err != nil {
		return err
	}
	for after := int64(0); after < last; {
		if err := in.goesOn(ctx); err != nil {
			return err
		}
		next, err := in.rerunSome(ctx, opt, after, last, out)
		if err != nil || next == after {
			return err
		}
		after = next
	}
	return nil
}

// rerunSome runs the kept messages between two places, the second included, as
// many as are read at once; next is the place of the newest, or the first where
// there is none.
func (in *Intake) rerunSome(ctx context.Context, opt RerunOptions, after, last int64, out *Rerun) (next int64, err error) {
	in.times.Lock()
	defer in.times.Unlock()
	list, err := in.j.KeptMessages(ctx, after, journal.KeptFilter{Reason: opt.Reason, From: opt.From, To: opt.To})
	if err != nil || len(list) == 0 {
		return after, err
	}
	var ids []int64
	var batch journal.Batch
	for i := range list {
		k := &list[i]
		if k.ID > last {
			break
		}
		if k.Reason == decode.Oversize.String() { // its end was not kept
			if opt.Device == "" || opt.Device == k.Device {
				out.Kept++
				out.StillKept[k.Reason]++
			}
			continue
		}
		raw := journal.Raw{Received: k.Received, Topic: k.Topic, Payload: k.Payload, Retained: k.Retained}
		m := raw.Message()
		w := in.understand(item{m: &m})
		if opt.Device == "" || opt.Device == k.Device || about(&w.entry, opt.Device) {
			ids, batch = append(ids, k.ID), append(batch, w.entry)
		}
	}
	return list[len(list)-1].ID, in.storeKept(ctx, opt, ids, batch, out)
}

// storeKept commits kept messages together, or where the journal refuses one of
// them each alone.
func (in *Intake) storeKept(ctx context.Context, opt RerunOptions, ids []int64, batch journal.Batch, out *Rerun) error {
	if len(batch) == 0 {
		return nil
	}
	result, err := in.j.RerunKept(ctx, ids, batch, opt.Trial)
	if errors.Is(err, journal.ErrRefused) {
		if len(batch) == 1 {
			out.Kept++
			out.StillKept[reasonUnstorable]++
			return nil
		}
		for i := range batch {
			if err := in.storeKept(ctx, opt, ids[i:i+1], batch[i:i+1], out); err != nil {
				return err
			}
		}
		return nil
	}
	if err != nil {
		return err
	}
	if !opt.Trial {
		in.done(batch, result)
	}
	out.Kept += int64(len(batch))
	for i, o := range result.Outcomes {
		switch {
		case o == journal.Stored:
			out.Stored++
		case o == journal.Duplicate:
			out.Duplicates++
		case batch[i].Kept != nil:
			out.StillKept[batch[i].Kept.Reason]++
		case len(batch[i].Beside) > 0: // of the device that it stands there for
			out.StillKept[batch[i].Beside[0].Reason]++
		default: // all of it lost against what is there
			out.StillKept[journal.ReasonConflict]++
		}
	}
	return nil
}

func (in *Intake) rerunRaw(ctx context.Context, opt RerunOptions, block int64, out *Rerun) error {
	if err := in.goesOn(ctx); err != nil {
		return err
	}
	in.times.Lock()
	defer in.times.Unlock()
	list, err := in.j.RawMessages(ctx, block)
	if err != nil {
		in.log.Warn("some messages cannot be run again", "err", err)
		out.Unreadable++
		return nil
	}
	batch, chosen := make(journal.Batch, len(list)), make([]bool, len(list))
	for i := range list {
		m := list[i].Message()
		if m.Received.Before(opt.From) || !opt.To.IsZero() && m.Received.After(opt.To) {
			continue
		}
		w := in.understand(item{m: &m})
		if chosen[i] = opt.Device == "" || about(&w.entry, opt.Device); chosen[i] {
			batch[i] = w.entry
		}
	}
	result, err := in.j.RerunRaw(ctx, block, list, batch, opt.Trial)
	if err != nil {
		return err
	}
	if !opt.Trial {
		in.done(batch, result)
	}
	out.Replaced += int64(result.Replaced)
	for i, o := range result.Outcomes {
		switch {
		case !chosen[i]:
			continue
		case batch[i].Kept != nil:
			out.NoMore++
		case o == journal.Stored:
			out.Stored++
		default:
			out.Duplicates++
		}
		out.Understood++
	}
	return nil
}

// forget takes devices that are in the register by now off the list of unknown
// ones.
func (in *Intake) forget(ctx context.Context, out *Rerun) error {
	unknown, err := in.j.Unknown(ctx)
	if err != nil {
		return err
	}
	var known []string
	for _, u := range unknown {
		if _, ok := in.register.Lookup(u.Device); ok {
			known = append(known, u.Device)
		}
	}
	out.Forgotten = int64(len(known))
	return in.j.ForgetUnknown(ctx, known)
}

// goesOn says why a long work has to end.
func (in *Intake) goesOn(ctx context.Context) error {
	select {
	case <-in.stopping:
		return ErrStopped
	default:
		return ctx.Err()
	}
}

// about says whether an entry is about a device.
func about(e *journal.Entry, device string) bool {
	if e.Kept != nil {
		return e.Kept.Device == device
	}
	for i := range e.Readings {
		if e.Readings[i].Device == device {
			return true
		}
	}
	for i := range e.Facts {
		if e.Facts[i].Device == device {
			return true
		}
	}
	return false
}

// StoreAgain commits what was stored before in a journal that is lost, and says
// how many readings and facts of it were missing. Nothing is counted as
// received.
func (in *Intake) StoreAgain(ctx context.Context, b journal.Batch) (missing int, err error) {
	if err := in.goesOn(ctx); err != nil {
		return 0, err
	}
	result, err := in.j.StoreAgain(ctx, b)
	if errors.Is(err, journal.ErrRefused) && len(b) > 1 {
		for i := range b {
			n, err := in.StoreAgain(ctx, b[i:i+1])
			missing += n
			if err != nil {
				return missing, err
			}
		}
		return missing, nil
	}
	if errors.Is(err, journal.ErrRefused) {
		return 0, nil // damaged beyond use
	}
	if err != nil {
		return 0, err
	}
	in.done(b, result)
	return result.Rows, nil
}
