package collector

import (
	"context"
	"encoding/json"
	"fmt"
	"slices"

	"dwindle/collector/health"
	"dwindle/collector/reading"
	"dwindle/collector/suspicion"
)

// checkReadings is the health name of what is suspected now.
const checkReadings = "doubtful readings"

// allNotices is more than are ever kept.
const allNotices = 1 << 30

// exchanged looks among the breaks of all devices for pairs that went on where
// the other one was. All pairs are found anew, so that they do not depend on
// the order in which the breaks became known.
func (d *deriver) exchanged(ctx context.Context) error {
	kept, err := d.j.Notices(ctx, suspicion.Broke.String(), false, allNotices)
	if err != nil {
		return err
	}
	var breaks []suspicion.Named
	for _, n := range kept {
		b := suspicion.Named{Device: n.Device}
		if err := json.Unmarshal([]byte(n.Data), &b.Break); err != nil {
			return fmt.Errorf("read a break of %s at %s: %w", n.Device, n.At, err)
		}
		breaks = append(breaks, b)
	}
	var found []reading.Notice
	for _, s := range suspicion.Swapped(breaks) {
		for _, own := range []suspicion.Named{s.A, s.B} {
			words, evidence := s.Words(own.Device)
			found = append(found, reading.Notice{
				Kind: suspicion.Exchanged.String(), Device: own.Device, At: own.At, Until: own.At, Words: words, Evidence: evidence,
			})
		}
	}
	return d.j.Renote(ctx, suspicion.Exchanged.String(), found...)
}

// tell says what is suspected now.
func (d *deriver) tell(ctx context.Context) error {
	open, err := d.j.Notices(ctx, "", true, allNotices)
	if err != nil {
		return err
	}
	site := d.site()
	open = slices.DeleteFunc(open, func(n reading.Notice) bool { // gone from the register: there is nothing to do
		return n.Device != "" && site.Machine(n.Device) == nil && site.Dispenser(n.Device) == nil
	})
	if len(open) == 0 {
		d.health.Set(checkReadings, health.Ok, "", "")
		return nil
	}
	n := open[0]
	what := fmt.Sprintf("%s: %s (%s)", n.Device, n.Words, n.Evidence)
	if more := len(open) - 1; more > 0 {
		what += fmt.Sprintf(", and %d more", more)
	}
	try := ""
	if k, ok := suspicion.ParseKind(n.Kind); ok {
		try = k.Try()
		if k.Holds() {
			try += "; until then its amounts count as unknown"
		}
	}
	d.health.Set(checkReadings, health.Warn, what, try)
	return nil
}

// Notices gives what was noticed, newest first, at most limit; with lasting
// only what is not over.
func (in *Intake) Notices(ctx context.Context, lasting bool, limit int) ([]reading.Notice, error) {
	return in.j.Notices(ctx, "", lasting, limit)
}
