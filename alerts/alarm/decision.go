package alarm

import (
	"fmt"
	"strings"
	"time"
)

// RefusedError is a decision that cannot be taken as it is, with what to do.
type RefusedError struct{ What, Try string }

func (e *RefusedError) Error() string {
	if e.Try == "" {
		return e.What
	}
	return e.What + "\ntry: " + e.Try
}

func refuse(try, format string, args ...any) error {
	return &RefusedError{What: fmt.Sprintf(format, args...), Try: try}
}

// Acknowledge says that a person has seen the current occurrence. It ends
// nothing but a return that nobody had seen.
func Acknowledge(a Alarm, by, note string, at time.Time) (Result, error) {
	m := &machine{Result: Result{Alarm: a}, at: at.UTC()}
	switch {
	case by == "":
		return m.Result, refuse("say who you are with --by", "an acknowledgement needs a name")
	case !a.Unacked && a.Acknowledged != nil:
		return m.Result, refuse("", "alarm %s was acknowledged by %s already", a.Occurrence, a.Acknowledged.By)
	case !a.Unacked:
		return m.Result, refuse("look at the alarm list for its state", "alarm %s has not been announced, so there is nothing to acknowledge", a.Occurrence)
	}
	m.move(WasAcknowledged, NoNotice, by, note, func(a *Alarm) {
		a.Unacked = false
		a.Acknowledged = &Acknowledgement{By: by, At: m.at, Note: note}
	})
	return m.Result, nil
}

// Withdraw takes an acknowledgement back while the alarm is still listed.
func Withdraw(a Alarm, by, note string, at time.Time) (Result, error) {
	m := &machine{Result: Result{Alarm: a}, at: at.UTC()}
	switch {
	case by == "":
		return m.Result, refuse("say who you are with --by", "taking an acknowledgement back needs a name")
	case a.Acknowledged == nil:
		return m.Result, refuse("", "alarm %s is not acknowledged", a.Occurrence)
	case !a.Condition && !a.Latched:
		return m.Result, refuse("", "alarm %s has ended; its acknowledgement stays", a.Occurrence)
	}
	m.move(AckWithdrawn, NoNotice, by, note, func(a *Alarm) {
		a.Unacked, a.Acknowledged = true, nil
		a.Escalated = time.Time{}
	})
	return m.Result, nil
}

// Shelve keeps an open alarm quiet until a time. It always ends: at that time,
// and if once is set also when the condition is gone.
func Shelve(a Alarm, by, reason string, until time.Time, once bool, t Timing, at time.Time) (Result, error) {
	m := &machine{Result: Result{Alarm: a}, at: at.UTC()}
	longest := t.MaxShelve[a.Priority]
	switch {
	case by == "":
		return m.Result, refuse("say who you are with --by", "shelving needs a name")
	case strings.TrimSpace(reason) == "":
		return m.Result, refuse("say why with --note", "shelving needs a reason")
	case !a.Open():
		return m.Result, refuse("only listed alarms can be shelved", "alarm %s has ended", a.Occurrence)
	case a.OutOfService != nil:
		return m.Result, refuse("", "alarm %s is out of service", a.Occurrence)
	case !until.After(at):
		return m.Result, refuse("a time to come", "shelving until %s would be over already", until.Format(time.RFC3339))
	case longest > 0 && until.Sub(at) > longest:
		return m.Result, refuse("until "+at.Add(longest).Format(time.RFC3339)+" at the latest", "a %s alarm may be shelved for %s at most", a.Priority, days(longest))
	}
	m.move(WasShelved, NoNotice, by, reason, func(a *Alarm) {
		a.Shelved = &Shelving{Until: until.UTC(), Once: once, By: by, Reason: reason}
	})
	return m.Result, nil
}

// Unshelve ends a shelving now. newID names the occurrence that begins if the
// condition is still there.
func Unshelve(a Alarm, by, note string, at time.Time, newID string) (Result, error) {
	m := &machine{Result: Result{Alarm: a}, at: at.UTC(), newID: newID}
	switch {
	case by == "":
		return m.Result, refuse("say who you are with --by", "ending a shelving needs a name")
	case a.Shelved == nil:
		return m.Result, refuse("", "alarm %s is not shelved", a.Occurrence)
	}
	m.unshelve(Unshelved, by, note)
	return m.Result, nil
}

// Reset ends a latched alarm. It does nothing while the cause is there.
func Reset(a Alarm, by, note string, at time.Time) (Result, error) {
	m := &machine{Result: Result{Alarm: a}, at: at.UTC()}
	switch {
	case by == "":
		return m.Result, refuse("say who you are with --by", "a reset needs a name")
	case a.Condition:
		return m.Result, refuse("remove the cause first; the alarm then waits for the reset", "alarm %s cannot be reset while its condition holds", a.Occurrence)
	case !a.Latched:
		return m.Result, refuse("", "alarm %s is not latched", a.Occurrence)
	case a.Unacked:
		return m.Result, refuse("acknowledge it first", "alarm %s was not acknowledged yet", a.Occurrence)
	}
	m.move(WasReset, Return, by, note, func(a *Alarm) { a.Latched = false })
	return m.Result, nil
}

// TakeOut takes an alarm out of service under an order.
func TakeOut(a Alarm, order Order, at time.Time) (Result, error) {
	m := &machine{Result: Result{Alarm: a}, at: at.UTC()}
	if order.By == "" || order.Number == "" || strings.TrimSpace(order.Reason) == "" {
		return m.Result, refuse("give all three", "out of service needs a name, an order number and a reason")
	}
	m.move(TakenOut, NoNotice, order.By, order.Number+": "+order.Reason, func(a *Alarm) { a.OutOfService = &order })
	return m.Result, nil
}

// PutBack returns an alarm to service; test says how it was proved to work.
// newID names the occurrence that begins if the condition is there.
func PutBack(a Alarm, by, test string, at time.Time, newID string) (Result, error) {
	m := &machine{Result: Result{Alarm: a}, at: at.UTC(), newID: newID}
	switch {
	case a.OutOfService == nil:
		return m.Result, refuse("", "alarm %s is in service", a.Occurrence)
	case by == "" || strings.TrimSpace(test) == "":
		return m.Result, refuse("give both", "return to service needs a name and what was tested")
	}
	m.move(ReturnedToService, NoNotice, by, test, func(a *Alarm) { a.OutOfService = nil })
	if a := &m.Alarm; a.Condition && !a.hidden() {
		if a.Announcing() {
			m.again(Confirmed, "returned to service and the condition is there")
		} else {
			m.announce(Confirmed, "returned to service and the condition is there")
		}
	}
	return m.Result, nil
}

// ReportWork notes that the work was done; telemetry has yet to prove it.
func ReportWork(a Alarm, by, note string, at time.Time) (Result, error) {
	m := &machine{Result: Result{Alarm: a}, at: at.UTC()}
	switch {
	case by == "":
		return m.Result, refuse("say who you are with --by", "reported work needs a name")
	case !a.Open() || a.Unacked:
		return m.Result, refuse("acknowledge it first", "work can be reported for an acknowledged alarm only; %s is %s", a.Occurrence, a.State())
	}
	m.move(WorkReported, NoNotice, by, note, func(*Alarm) {})
	return m.Result, nil
}

// Delete ends everything about an alarm whose subject left the register.
func Delete(a Alarm, reason string, at time.Time) Result {
	m := &machine{Result: Result{Alarm: a}, at: at.UTC()}
	if !a.Open() && a.Shelved == nil && a.OutOfService == nil {
		return m.Result
	}
	notice := NoNotice
	if a.Announcing() && (a.Condition || a.Latched) {
		notice = Return
	}
	m.move(Deleted, notice, System, reason, func(a *Alarm) {
		if a.Ended.IsZero() {
			a.Ended = m.at
		}
		a.EndReason = reason
		a.Condition, a.Unacked, a.Latched = false, false, false
		a.Shelved, a.OutOfService, a.Suppressed, a.Settling = nil, nil, nil, time.Time{}
	})
	return m.Result
}

// days writes a duration of whole days as people say it.
func days(d time.Duration) string {
	if n := int(d / (24 * time.Hour)); n > 0 && d%(24*time.Hour) == 0 {
		if n == 1 {
			return "1 day"
		}
		return fmt.Sprintf("%d days", n)
	}
	return d.String()
}
