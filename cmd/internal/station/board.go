package station

import (
	"cmp"
	"context"
	"errors"
	"maps"
	"slices"
	"strings"

	"dwindle/alerts"
	"dwindle/alerts/alarm"
	"dwindle/alerts/board"
	"dwindle/alerts/ledger"
	"dwindle/collector/journal"
	"dwindle/collector/reading"
	"dwindle/collector/suspicion"
	"dwindle/config"
	"dwindle/forecast"
)

// boardSource gives the pages what they show.
type boardSource struct {
	c *Station
}

var _ board.Source = boardSource{}

func (b boardSource) Site() *config.Site { return b.c.site.Load() }

func (b boardSource) Fleet() (forecast.Fleet, bool) { return b.c.latest.load() }

func (b boardSource) Alarms(ctx context.Context, point string, history bool, limit int) ([]alarm.Row, error) {
	return b.c.ledger.Rows(ctx, ledger.Filter{History: history, Point: point, Limit: limit})
}

func (b boardSource) Prompts(ctx context.Context) ([]alarm.Prompt, error) {
	fleet, ok := b.c.latest.load()
	if !ok {
		return nil, nil
	}
	return alerts.Prompts(ctx, b.c.site.Load(), fleet, b.c.history)
}

func (b boardSource) Fills(ctx context.Context, point string) ([]board.Fill, error) {
	fleet, ok := b.c.latest.load()
	if !ok {
		return nil, nil
	}
	facts, err := b.c.history.Facts(ctx, fleet.At)
	if err != nil {
		return nil, err
	}
	return fills(facts, point), nil
}

// fills lists the reservoirs of a point, newest first.
func fills(facts []reading.Fact, point string) []board.Fill {
	var out []board.Fill
	for _, f := range facts {
		if f.Point != point || f.Kind != reading.FactChange && f.Kind != reading.FactCommission {
			continue
		}
		if n := len(out); n > 0 {
			out[n-1].Ended, out[n-1].ResidualCM3 = f.At, f.ResidualCM3
		}
		out = append(out, board.Fill{Began: f.At, Device: f.Device, VolumeCM3: f.VolumeCM3, By: f.By, Note: f.Note})
	}
	slices.Reverse(out)
	return out
}

// How much of what was kept aside the pages show: so many samples of a reason,
// out of so many of the newest messages.
const (
	keptSamples = 5
	keptNewest  = 500
)

func (b boardSource) Health(ctx context.Context) (board.Health, error) {
	var out board.Health
	s := b.c.intake.Stats()
	out.Counts = []board.Count{
		{Name: "messages received", N: s.Received}, {Name: "stored", N: s.Stored},
		{Name: "known already", N: s.Duplicates}, {Name: "waiting now", N: int64(s.Queue)},
		{Name: "values in another form, understood", N: s.Coerced},
		{Name: "fields without a value", N: s.Missing},
		{Name: "messages whose own time could not be used", N: s.BadTimes},
	}
	kept, err := b.c.journal.KeptAside(ctx, keptNewest)
	if err != nil {
		return out, err
	}
	out.Kept = keptByReason(s.Kept, kept)
	unknown, err := b.c.journal.Unknown(ctx)
	if err != nil {
		return out, err
	}
	noticed, err := b.c.intake.Notices(ctx, false, board.NoticesShown)
	if err != nil {
		return out, err
	}
	for _, n := range noticed {
		row := board.Notice{At: n.At, Until: n.Until, Device: n.Device, Words: n.Words, Evidence: n.Evidence}
		if k, ok := suspicion.ParseKind(n.Kind); ok {
			row.Try = k.Try()
		}
		out.Noticed = append(out.Noticed, row)
	}
	for _, c := range b.c.intake.Clocks() {
		out.Clocks = append(out.Clocks, board.Clock{Device: c.Device, Behind: c.Behind, Hint: c.Hint})
	}
	for _, u := range unknown {
		out.Unknown = append(out.Unknown, board.Unknown{Device: u.Device, First: u.First, Last: u.Last, Messages: u.Count})
	}
	out.Forward, err = b.forward(ctx)
	return out, err
}

// forwardSamples is how many refused points the page shows.
const forwardSamples = 5

// forward gives what is forwarded; nil if nothing is.
func (b boardSource) forward(ctx context.Context) (*board.Forward, error) {
	f, err := b.c.Forwarding(ctx)
	var none *Refusal
	if errors.As(err, &none) {
		return nil, nil
	}
	if err != nil {
		return nil, err
	}
	waiting := "rows that wait"
	if f.Estimated {
		waiting = "rows that wait, about"
	}
	out := &board.Forward{To: f.Target, Oldest: f.Oldest, Last: f.LastWritten, Counts: []board.Count{
		{Name: waiting, N: f.Rows}, {Name: "points written today", N: f.WrittenToday},
	}}
	for _, counts := range []struct {
		what string
		of   map[string]int64
	}{{"points kept aside: ", f.KeptAside}, {"rows given up: ", f.GivenUp}} {
		for _, reason := range slices.Sorted(maps.Keys(counts.of)) {
			if n := counts.of[reason]; n > 0 {
				out.Counts = append(out.Counts, board.Count{Name: counts.what + strings.ReplaceAll(reason, "_", " "), N: n})
			}
		}
	}
	newest, err := b.c.journal.NewestRefused(ctx, forwardSamples)
	for _, r := range newest {
		out.Kept = append(out.Kept, board.Refusal{At: r.When, Reason: r.Reason, Words: r.Words, Line: string(r.Line)})
	}
	return out, err
}

// keptByReason puts samples of the newest messages kept aside under the counts
// of all, the most frequent reason first.
func keptByReason(counts map[string]int64, newest []journal.Kept) []board.Kept {
	samples := map[string][]board.Sample{}
	for _, k := range newest {
		if len(samples[k.Reason]) < keptSamples {
			samples[k.Reason] = append(samples[k.Reason], board.Sample{Received: k.Received, Topic: k.Topic, Payload: string(k.Payload), Detail: k.Detail})
		}
	}
	var out []board.Kept
	for _, reason := range slices.Sorted(maps.Keys(counts)) {
		if counts[reason] > 0 {
			out = append(out, board.Kept{Reason: reason, N: counts[reason], Samples: samples[reason]})
		}
	}
	slices.SortStableFunc(out, func(a, b board.Kept) int { return cmp.Compare(b.N, a.N) })
	return out
}
