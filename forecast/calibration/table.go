// Package calibration learns from what came true. A fleet's past is full of
// virtual reservoirs that ended ([virtual]): for each, the duty model of that
// day said when it would, and the journal knows when it did. From many of them
// follow, for each duty class, how often machines stop unplanned, on which
// members of the mixture to lean, how much the last week says beside them, and
// which of the law's own levels deserve the names P10, P50 and P90, by horizon.
//
// What was learned is a [Table] with a version and the date up to which it
// looked; a forecast names it. Before a fleet has a past of its own the table
// that comes with the program stands in ([Builtin]). The package is pure: same
// series, same table. Start with [Run] and [Record.Learn].
package calibration

import (
	_ "embed"
	"encoding/json"
	"fmt"
	"hash/fnv"
	"sync"

	"dwindle/config"
	"dwindle/config/civil"
	"dwindle/forecast/depletion"
	"dwindle/forecast/duty"
)

// The kinds of forecast that are calibrated apart: on the mixture rung two per
// duty class, for short and long histories, and Young for the day-type rung
// below it. The plan rung has nothing to learn from.
const (
	Young = 2 * int(duty.Classes)
	Kinds = Young + 1
)

// longHistory is the number of seen days from which a history is long: by then
// a quarter of a year's stops and changes were seen.
const longHistory = 90

// KindName names a kind in plain words.
func KindName(kind int) string {
	switch {
	case kind == Young:
		return fmt.Sprintf("under %d days seen", duty.MinMixtureDays)
	case kind%2 == 0:
		return fmt.Sprintf("%s, under %d days seen", duty.Class(kind/2), longHistory)
	}
	return fmt.Sprintf("%s, %d days seen or more", duty.Class(kind/2), longHistory)
}

// Cell is what was learned for one kind and horizon.
type Cell struct {
	depletion.Levels
	// Cases is how many reservoirs that do not overlap the levels rest on; the
	// fewer, the more they are those of the table before.
	Cases float64 `json:"cases"`
}

// Table is one calibration. The zero value teaches and moves nothing.
type Table struct {
	Version string     `json:"version"`
	Learned civil.Date `json:"learned"` // no later day was looked at
	Series  int        `json:"series"`
	Cases   int        `json:"cases"` // virtual reservoirs
	Fleet   duty.Fleet `json:"fleet"`
	// Week is how much "last week repeated" counts, by duty class (0 to 1).
	Week   [duty.Classes]float64           `json:"last_week"`
	Levels [Kinds][depletion.Horizons]Cell `json:"levels"`
}

// Rules are the bounds of a duty, with what the fleet taught.
func (t *Table) Rules(maxPerDay float64) duty.Rules {
	return duty.Rules{MaxPerDay: maxPerDay, Fleet: t.Fleet}
}

// KindOf is the kind of a model; ok is false where it is not calibrated.
func KindOf(m *duty.Model) (kind int, ok bool) {
	switch m.Rung() {
	case duty.RungMixture:
		kind = 2 * int(m.Class())
		if m.Seen() >= longHistory {
			kind++
		}
		return kind, true
	case duty.RungDayTypes:
		return Young, true
	}
	return 0, false
}

// Forecaster is a model, whole or what was kept of it.
type Forecaster interface {
	Forecast(future []config.DayType, firstShare float64, scales ...float32) depletion.Mixture
	LastWeek(future []config.DayType, firstShare float64, scales ...float32) depletion.Curve
}

// Law calibrates what a model forecasts over a calendar: mix is that forecast.
func (t *Table) Law(m *duty.Model, mix depletion.Mixture, future []config.DayType, firstShare float64, scales ...float32) depletion.Calibrated {
	kind, ok := KindOf(m)
	if !ok {
		return depletion.Calibrated{Mixture: mix}
	}
	return t.LawOf(kind, m, mix, future, firstShare, scales...)
}

// LawOf is Law where the model's kind is known.
func (t *Table) LawOf(kind int, m Forecaster, mix depletion.Mixture, future []config.DayType, firstShare float64, scales ...float32) depletion.Calibrated {
	c := depletion.Calibrated{Mixture: mix}
	for h := range c.Levels {
		c.Levels[h] = t.Levels[kind][h].Levels
	}
	if share := t.WeekShare(kind); share > 0 {
		c.Other, c.Share = m.LastWeek(future, firstShare, scales...), share
	}
	return c
}

// WeekShare is how much "last week repeated" counts in forecasts of a kind.
func (t *Table) WeekShare(kind int) float64 {
	if kind == Young {
		return 0
	}
	return t.Week[kind/2]
}

// named gives a learned table its version: the date and a mark of its content.
func (t *Table) named() *Table {
	t.Version = ""
	text, err := json.Marshal(t)
	if err != nil {
		panic(err) // numbers, strings and dates always marshal
	}
	h := fnv.New32a()
	_, _ = h.Write(text)
	t.Version = fmt.Sprintf("%s-%06x", t.Learned, h.Sum32()&0xffffff)
	return t
}

// Read takes in a table that was kept as JSON.
func Read(text []byte) (*Table, error) {
	var t Table
	if err := json.Unmarshal(text, &t); err != nil {
		return nil, fmt.Errorf("calibration table: %w", err)
	}
	for _, share := range t.Week {
		if !(share >= 0 && share <= 1) {
			return nil, fmt.Errorf("calibration table %s: last_week %v: want 0 to 1", t.Version, t.Week)
		}
	}
	for kind := range t.Levels {
		for h, c := range t.Levels[kind] {
			if c.Levels != (depletion.Levels{}) && !(0 < c.Low && c.Low < c.Mid && c.Mid < c.High && c.High < 1) {
				return nil, fmt.Errorf("calibration table %s: levels %v of %s, horizon %d: want 0 < low < mid < high < 1", t.Version, c.Levels, KindName(kind), h)
			}
		}
	}
	return &t, nil
}

//go:embed builtin.json
var builtin []byte

// Builtin is the table that comes with the program. It was learned on
// simulated use, with a seed that no report uses, and on the airports at odd
// places of the open data (see testdata), which the score of all airports
// holds too.
func Builtin() *Table {
	t := readBuiltin()
	return &t
}

var readBuiltin = sync.OnceValue(func() Table {
	t, err := Read(builtin)
	if err != nil {
		panic(err) // a test reads it
	}
	return *t
})
