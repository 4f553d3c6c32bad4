package station

import (
	"context"
	"slices"

	"dwindle/alerts"
	"dwindle/alerts/alarm"
	"dwindle/alerts/board"
	"dwindle/alerts/ledger"
	"dwindle/collector/reading"
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

func (b boardSource) Health(ctx context.Context) (board.Health, error) {
	var out board.Health
	for _, c := range b.c.health.List() {
		out.Checks = append(out.Checks, board.Check{Name: c.Name, Level: c.Level.String(), What: c.What, Try: c.Try, Since: c.Since})
	}
	s := b.c.intake.Stats()
	out.Counts = []board.Count{
		{Name: "messages received", N: s.Received}, {Name: "stored", N: s.Stored},
		{Name: "known already", N: s.Duplicates}, {Name: "waiting now", N: int64(s.Queue)},
	}
	return out, nil
}
