package outbox

import (
	"context"
	"errors"
	"net"
	"net/http"
	"os"
	"slices"
	"time"
)

// asider takes rows that are set apart.
type asider interface {
	aside(r row, status int, reason, words string)
}

// settler writes rows until each is written or set apart. It is for one
// goroutine.
type settler struct {
	s    *Sender
	pace *pacer
	lim  *limits
	out  asider

	// sound is a row that was taken. If the server refuses it as well, the fault
	// is not with the rows. Taking something away at the server forgets it.
	sound []byte
	// clash are fields whose type conflicts, as the server said last.
	clash map[field]bool
	// alike counts the rows of a likeness that were refused alone since one was
	// taken.
	alike map[string]int
}

// When it is tried in another way: proposals.
const (
	// manyAlike single refusals for one cause, with nothing of the likeness taken
	// in between, have the rest of it tried in one piece.
	manyAlike = 16
	// manyFailures in a row over the same have it tried in parts.
	manyFailures = 6
	// manyAtOnce rows told apart by one answer do not count as a search.
	manyAtOnce = 100
)

// write writes rows in their order, and those of a field that is known to
// conflict after the others: once in a batch, to see whether that is still so.
func (t *settler) write(ctx context.Context, rows []row) error {
	if len(t.clash) == 0 || len(rows) == 0 {
		return t.settle(ctx, rows)
	}
	bad, good := split(rows, func(r row) bool {
		p, ok := partsOf(r.text)
		return ok && slices.ContainsFunc(p.fields, func(name string) bool { return t.clash[field{p.measurement, name}] })
	})
	if len(good) > 0 {
		if err := t.settle(ctx, good); err != nil {
			return err
		}
	}
	if len(bad) == 0 {
		return nil
	}
	clear(t.clash)
	return t.settle(ctx, bad)
}

// settle writes rows, or finds those among them that the server does not take.
// It returns an error only when ctx has ended.
func (t *settler) settle(ctx context.Context, rows []row) error {
	if len(rows) == 0 {
		return nil
	}
	a, err := t.send(ctx, rows)
	if err != nil {
		return err
	}
	switch a.reaction() {
	case written:
		t.taken(rows)
		return nil
	case refused:
		return t.set(ctx, a, rows)
	}
	// Not in one piece.
	if len(rows) == 1 {
		return t.single(ctx, a, rows[0], a.reason())
	}
	return t.halves(ctx, rows)
}

// taken takes note of rows that the server took.
func (t *settler) taken(rows []row) {
	t.sound = append(t.sound[:0], rows[len(rows)-1].text...)
	t.lim.went()
	if len(t.alike) > 0 {
		for _, r := range rows {
			if p, ok := partsOf(r.text); ok {
				delete(t.alike, p.likeness)
			}
		}
	}
}

// set deals with rows that were refused in one request.
func (t *settler) set(ctx context.Context, a answer, rows []row) error {
	reason := a.reason()
	f, clashes := a.clash, a.clash != field{}
	if clashes {
		if t.clash == nil {
			t.clash = map[field]bool{}
		}
		t.clash[f] = true
	}
	if reason == TooLarge && len(rows) > 1 {
		if err := t.slow(ctx); err != nil {
			return err
		}
		t.lim.tooLarge(len(join(rows)))
		return t.halves(ctx, rows)
	}
	// All of them, by the server's own count.
	if n := a.dropped; n > 0 && n >= len(rows) {
		if len(rows) < manyAtOnce {
			if err := t.slow(ctx); err != nil {
				return err
			}
		}
		t.asideAll(rows, a, reason)
		return nil
	}
	// Those that it names.
	if len(a.named) > 0 {
		bad, rest := split(rows, func(r row) bool { _, ok := a.named[string(r.text)]; return ok })
		if len(bad) > 0 {
			if len(bad) < manyAtOnce {
				if err := t.slow(ctx); err != nil {
					return err
				}
			}
			for _, r := range bad {
				t.out.aside(r, a.status, reason, "unable to parse: "+a.named[string(r.text)])
			}
			return t.settle(ctx, rest)
		}
	}
	if err := t.slow(ctx); err != nil {
		return err
	}
	if len(rows) == 1 {
		return t.single(ctx, a, rows[0], reason)
	}
	// Those that it describes: a try of them alone will tell.
	var bad, rest []row
	if clashes {
		bad, rest = split(rows, func(r row) bool {
			p, ok := partsOf(r.text)
			return ok && p.measurement == f.measurement && slices.Contains(p.fields, f.name)
		})
	} else if n := a.dropped; n > 0 && reason == BeyondRetention {
		bad, rest = oldest(rows, n)
	}
	if len(bad) > 0 && len(rest) > 0 {
		if err := t.settle(ctx, rest); err != nil {
			return err
		}
		return t.settle(ctx, bad)
	}
	if t.allAlike(rows) {
		t.asideAll(rows, a, reason)
		return nil
	}
	return t.halves(ctx, rows)
}

// slow waits where refusals come too fast.
func (t *settler) slow(ctx context.Context) error {
	if d := t.pace.refused(time.Now()); d > 0 {
		pause(ctx, d)
	}
	return ctx.Err()
}

func (t *settler) halves(ctx context.Context, rows []row) error {
	if err := t.settle(ctx, rows[:len(rows)/2]); err != nil {
		return err
	}
	return t.settle(ctx, rows[len(rows)/2:])
}

// single deals with a row that was refused alone. Where the server does not say
// what is wrong with it, it is to blame only if the server takes another (what it
// took before, or else a line that is surely right) and still not this; otherwise
// it waits.
func (t *settler) single(ctx context.Context, a answer, r row, reason string) error {
	vague := a.vague()
	sound := t.sound
	if vague && len(sound) == 0 {
		sound = t.s.surelyRight()
	}
	proofs := 1
	if reason == ServerError {
		proofs = 3 // it may come and go
	}
	for try, proved := 0, 0; vague && len(sound) > 0 && proved < proofs; try++ {
		check, err := t.once(ctx, sound)
		if err == nil && check.reaction() == written {
			check, err = t.once(ctx, r.text)
			switch {
			case err != nil:
			case check.reaction() == written:
				t.taken([]row{r})
				return nil
			case check.reaction() == refused || check.status == http.StatusInternalServerError:
				a, reason = check, check.reason()
				if proved++; reason != ServerError {
					if err := t.slow(ctx); err != nil {
						return err
					}
					continue
				}
			default:
				proved = 0
			}
		} else {
			proved = 0
		}
		if err != nil {
			return err
		}
		if proved < proofs {
			if err := t.s.later(ctx, check, try); err != nil {
				return err
			}
		}
	}
	t.out.aside(r, a.status, reason, a.words())
	if p, ok := partsOf(r.text); ok {
		if t.alike == nil {
			t.alike = map[string]int{}
		}
		t.alike[p.likeness]++
	}
	return nil
}

// allAlike says that all rows are of likenesses of which many were refused one
// by one and none was taken since: then the refusal of all of them together is
// taken for one of each.
func (t *settler) allAlike(rows []row) bool {
	if len(t.alike) == 0 {
		return false
	}
	for _, r := range rows {
		p, ok := partsOf(r.text)
		if !ok || t.alike[p.likeness] < manyAlike {
			return false
		}
	}
	return true
}

func (t *settler) asideAll(rows []row, a answer, reason string) {
	words := a.words()
	for _, r := range rows {
		t.out.aside(r, a.status, reason, words)
	}
}

// send sends rows until the server has said what becomes of them: that they are
// taken, or refused. It gives up when the same ends the same way again and again
// while less may go through: nothing is answered, or the server fails over it.
// It returns an error only when ctx has ended.
func (t *settler) send(ctx context.Context, rows []row) (answer, error) {
	text := join(rows)
	slow, cuts, fails := 0, 0, 0
	for try := 0; ; try++ {
		if err := ctx.Err(); err != nil {
			return answer{}, err
		}
		a := t.s.put(text, len(rows))
		switch a.reaction() {
		case written, refused:
			return a, nil
		case unanswered:
			if len(rows) <= fewestRows {
				break
			}
			switch noAnswer(a.cause) {
			case late:
				slow++
			case cut:
				cuts++
			}
		case trouble:
			if a.status == http.StatusInternalServerError {
				fails++
			}
		}
		if err := t.s.later(ctx, a, try); err != nil {
			return answer{}, err
		}
		if slow >= 2 || cuts >= 4 {
			t.lim.tooSlow(len(rows))
			return a, nil
		}
		// With one row and nothing to compare it with nobody knows whose fault it is.
		if fails >= manyFailures && (len(rows) > 1 || len(t.sound) > 0) {
			return a, nil
		}
	}
}

// once sends a text once.
func (t *settler) once(ctx context.Context, text []byte) (answer, error) {
	if err := ctx.Err(); err != nil {
		return answer{}, err
	}
	return t.s.put(string(text), 0), nil
}

// How nothing came back.
type silence int

const (
	gone silence = iota // nobody is there: less would not help
	late                // not in time
	cut                 // the connection ended
)

func noAnswer(err error) silence {
	var op *net.OpError
	if errors.As(err, new(noToken)) || errors.As(err, &op) && op.Op == "dial" {
		return gone
	}
	var n net.Error
	if errors.Is(err, os.ErrDeadlineExceeded) || errors.Is(err, context.DeadlineExceeded) || errors.As(err, &n) && n.Timeout() {
		return late
	}
	return cut
}
