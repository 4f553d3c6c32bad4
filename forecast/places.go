package forecast

import (
	"context"
	"fmt"
	"slices"
	"strings"
	"time"

	"dwindle/config"
)

// Places say which dispenser was mounted where, and when: history belongs to
// the point. Safe for concurrent use.
type Places struct {
	byDispenser map[string][]Stay
}

// Stay is one dispenser's time at a point. A zero From reaches back for ever, a
// zero To lasts still.
type Stay struct {
	Point, Dispenser string
	From, To         time.Time // up to, not including
}

// Holds says that a stay includes an instant.
func (s Stay) Holds(at time.Time) bool {
	return !s.From.After(at) && (s.To.IsZero() || at.Before(s.To))
}

// NewPlaces works out the places of a site's dispensers from the register and
// from what was recorded of swaps and commissionings.
func NewPlaces(ctx context.Context, site *config.Site, src Source, at time.Time) (*Places, error) {
	// As in a pass: the register may show a swap that is still to come.
	facts, err := src.Facts(ctx, at.AddDate(100, 0, 0))
	if err != nil {
		return nil, fmt.Errorf("read where dispensers were mounted: %w", err)
	}
	p := &Places{byDispenser: map[string][]Stay{}}
	stints := stintsOf(site, facts)
	for i := range site.Points {
		id := site.Points[i].ID
		for _, s := range stints[id] {
			stay := Stay{Point: id, Dispenser: s.device, From: s.from, To: s.to}
			p.byDispenser[s.device] = append(p.byDispenser[s.device], stay)
		}
	}
	for _, list := range p.byDispenser {
		slices.SortStableFunc(list, func(a, b Stay) int { return a.From.Compare(b.From) })
	}
	return p, nil
}

// At gives where a dispenser was mounted at an instant, empty if nowhere.
func (p *Places) At(dispenser string, at time.Time) string {
	list := p.byDispenser[dispenser]
	for i := len(list) - 1; i >= 0; i-- { // the newest beginning counts
		if list[i].Holds(at) {
			return list[i].Point
		}
	}
	return ""
}

// Dispensers gives those that were ever mounted at one of some points, by id,
// each with its stays there in time order.
func (p *Places) Dispensers(points func(id string) bool) (out [][]Stay) {
	for _, list := range p.byDispenser {
		var some []Stay
		for _, s := range list {
			if points(s.Point) {
				some = append(some, s)
			}
		}
		if some != nil {
			out = append(out, some)
		}
	}
	slices.SortFunc(out, func(a, b []Stay) int { return strings.Compare(a[0].Dispenser, b[0].Dispenser) })
	return out
}
