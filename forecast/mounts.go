package forecast

import (
	"slices"
	"time"

	"dwindle/collector/reading"
	"dwindle/config"
)

// stint is one dispenser's stay at a point. A zero From reaches back for ever, a
// zero To lasts still.
type stint struct {
	device   string
	from, to time.Time
}

// records are the dated facts sorted by what they concern, built once a pass
// and then only read, until a point is done with.
type records struct {
	stints  map[string][]stint          // by point, in time order
	homes   map[string][]home           // by dispenser
	noted   map[string]*[]*reading.Fact // by point: changes, commissionings, weighings, counts
	setting map[string][]*reading.Fact  // by dispenser: settings reported or found
}

// at gives the facts of a point in time order.
func (r records) at(point string) []*reading.Fact {
	if list := r.noted[point]; list != nil {
		return *list
	}
	return nil
}

// forget lets go of the facts of a point that is done with.
func (r records) forget(point string) {
	if list := r.noted[point]; list != nil {
		*list = nil
	}
}

// home is a stay of a dispenser, seen from the dispenser.
type home struct {
	point string
	stint
}

// newRecords sorts facts, which must be in time order. What a device reports
// belongs to the point at which it was mounted then. Facts are copied one by one:
// a fleet has hundreds of thousands, and those of a point go when it is done.
func newRecords(site *config.Site, facts []reading.Fact) records {
	r := records{stints: stintsOf(site, facts), homes: map[string][]home{}, noted: make(map[string]*[]*reading.Fact, len(site.Points)), setting: map[string][]*reading.Fact{}}
	for i := range site.Points { // register order, for the same answer every time
		for _, s := range r.stints[site.Points[i].ID] {
			r.homes[s.device] = append(r.homes[s.device], home{site.Points[i].ID, s})
		}
	}
	texts := texts{}
	for i := range facts {
		f := &facts[i]
		point := f.Point
		if point == "" {
			point = r.pointOf(f.Device, f.At)
		}
		if point == "" && f.Pacing == "" {
			continue
		}
		one := *f
		f = &one
		texts.share(f)
		if d := site.Dispenser(f.Device); d != nil {
			f.Device = d.ID
		}
		if pt := site.Point(point); pt != nil {
			point = pt.ID // the register's own text: the fact's can go
			if f.Point != "" {
				f.Point = pt.ID
			}
		}
		if f.Pacing != "" {
			device := f.Device
			if device == "" {
				device = r.deviceAt(point, f.At)
			}
			if device != "" && !sameSetting(r.setting[device], f) {
				r.setting[device] = append(r.setting[device], f)
			}
		}
		if point != "" {
			list := r.noted[point]
			if list == nil {
				list = &[]*reading.Fact{}
				r.noted[point] = list
			}
			*list = append(*list, f)
		}
	}
	r.homes = nil // what was mounted where is in stints; this was for the facts
	return r
}

// texts are those that many facts have in common. Each fact comes with its own
// copies, which for a fleet are a million small things to keep.
type texts map[string]string

// mostTexts bounds them: a name that is new every time is not common.
const mostTexts = 1000

func (t texts) share(f *reading.Fact) {
	f.Kind = reading.FactKind(t.of(string(f.Kind)))
	for _, s := range [...]*string{&f.By, &f.Item, &f.Batch, &f.Pacing, &f.Reason} {
		*s = t.of(*s)
	}
}

func (t texts) of(s string) string {
	if s == "" {
		return ""
	}
	if one, ok := t[s]; ok {
		return one
	}
	if len(t) < mostTexts {
		t[s] = s
	}
	return s
}

// stintsOf works out which dispenser was where. The register says where a
// dispenser is as far as no swap or commissioning says otherwise; the register
// may already show a swap that was recorded, so what was there before comes from
// the swap itself where it tells.
func stintsOf(site *config.Site, facts []reading.Fact) map[string][]stint {
	moves, elsewhere := map[string][]*reading.Fact{}, map[string][]*reading.Fact{}
	for i := range facts {
		f := &facts[i]
		if (f.Kind == reading.FactSwap || f.Kind == reading.FactCommission) && f.Point != "" && f.Device != "" {
			moves[f.Point] = append(moves[f.Point], f)
			elsewhere[f.Device] = append(elsewhere[f.Device], f)
		}
	}
	out := map[string][]stint{}
	for i := range site.Points {
		id := site.Points[i].ID
		var list []stint
		if first := firstDevice(site, id, moves[id]); first != "" {
			list = append(list, stint{device: first})
		}
		for _, f := range moves[id] {
			if n := len(list); n > 0 {
				if list[n-1].device == f.Device {
					continue
				}
				list[n-1].to = f.At
			}
			list = append(list, stint{device: f.Device, from: f.At})
		}
		out[id] = list
	}
	// A dispenser that was mounted elsewhere is no longer here.
	for point, list := range out {
		for i := range list {
			for _, m := range elsewhere[list[i].device] {
				if m.Point != point && m.At.After(list[i].from) && (list[i].to.IsZero() || m.At.Before(list[i].to)) {
					list[i].to = m.At
				}
			}
		}
	}
	return out
}

// firstDevice is what was at a point before the first recorded move.
func firstDevice(site *config.Site, point string, moves []*reading.Fact) string {
	registered := ""
	if d := site.DispenserAt(point); d != nil {
		registered = d.ID
	}
	if len(moves) == 0 || moves[0].Kind == reading.FactCommission {
		return registered
	}
	if moves[0].OldDevice != "" {
		return moves[0].OldDevice
	}
	if slices.ContainsFunc(moves, func(f *reading.Fact) bool { return f.Device == registered }) {
		return "" // the register shows the swap already; who was there before is not known
	}
	return registered
}

// deviceAt is the dispenser mounted at a point at an instant, empty if none.
func (r records) deviceAt(point string, at time.Time) string {
	list := r.stints[point]
	for i := len(list) - 1; i >= 0; i-- {
		if !list[i].from.After(at) {
			if !list[i].to.IsZero() && !list[i].to.After(at) {
				return ""
			}
			return list[i].device
		}
	}
	return ""
}

// stayed says that a dispenser was at a point all the time between two instants
// and was not commissioned anew.
func (r records) stayed(point, device string, from, to time.Time) bool {
	for _, s := range r.stints[point] {
		if s.device == device && !s.from.After(from) && (s.to.IsZero() || s.to.After(to)) {
			return !slices.ContainsFunc(r.at(point), func(f *reading.Fact) bool {
				return f.Kind == reading.FactCommission && f.At.After(from) && !f.At.After(to)
			})
		}
	}
	return false
}

// pointOf is where a dispenser was mounted at an instant, empty if nowhere.
func (r records) pointOf(device string, at time.Time) string {
	found := ""
	var since time.Time
	for _, h := range r.homes[device] {
		if h.from.After(at) || (!h.to.IsZero() && !h.to.After(at)) {
			continue
		}
		if found == "" || h.from.After(since) {
			found, since = h.point, h.from
		}
	}
	return found
}

// fillStart is the fact that began the fill in service at an instant: the latest
// change, or commissioning that names a volume.
func (r records) fillStart(point string, at time.Time) *reading.Fact {
	list := r.at(point)
	for i := len(list) - 1; i >= 0; i-- {
		f := list[i]
		if f.At.After(at) {
			continue
		}
		if f.Kind == reading.FactChange || f.Kind == reading.FactCommission && (f.VolumeCM3 != nil || i == 0 || !r.fillBefore(list[:i])) {
			return f
		}
	}
	return nil
}

func (r records) fillBefore(list []*reading.Fact) bool {
	return slices.ContainsFunc(list, func(f *reading.Fact) bool {
		return f.Kind == reading.FactChange || f.Kind == reading.FactCommission
	})
}

// force is a setting in force and where it comes from.
type force struct {
	config.Setting
	reported bool
	since    time.Time
}

// settingAt is a dispenser's setting in force at an instant: the one reported
// last, from its time on, else the register's. ok is false before either.
func (r records) settingAt(site *config.Site, device string, at time.Time) (force, bool) {
	list := r.setting[device]
	for i := len(list) - 1; i >= 0; i-- {
		if s, ok := reportedSetting(list[i]); ok && !list[i].At.After(at) {
			return force{Setting: s, reported: true, since: list[i].At}, true
		}
	}
	s, ok := site.SettingAt(device, at)
	return force{Setting: s, since: s.ValidFrom.Start(site.Location())}, ok
}

func reportedSetting(f *reading.Fact) (config.Setting, bool) {
	s := config.Setting{Pacing: config.Pacing(f.Pacing)}
	switch {
	case s.Pacing == config.PacingRun && f.CM3Per100h != nil:
		s.CM3Per100h = *f.CM3Per100h
	case s.Pacing == config.PacingPulse && f.CM3PerPulse != nil:
		s.CM3PerPulse = *f.CM3PerPulse
	default:
		return s, false
	}
	return s, true
}

// sameSetting says that a device reports again what it reported last.
func sameSetting(list []*reading.Fact, f *reading.Fact) bool {
	if len(list) == 0 {
		return false
	}
	a, ok := reportedSetting(list[len(list)-1])
	b, ok2 := reportedSetting(f)
	return ok && ok2 && a == b
}

// rate is the commanded volume per duty unit, cm3 per h or per pulse.
func rate(s config.Setting) float64 {
	if s.Pacing == config.PacingPulse {
		return s.CM3PerPulse
	}
	return s.CM3Per100h / 100
}

// piece is a stretch of a fill with one dispenser and one setting.
type piece struct {
	device   string
	setting  force
	known    bool // a setting was in force
	from, to time.Time
}

// pieces cuts [from, to] of a point at its swaps and setting changes. Stretches
// without a dispenser are left out.
func (r records) pieces(site *config.Site, point string, from, to time.Time) []piece {
	var out []piece
	for _, s := range r.stints[point] {
		a, b := from, to
		if s.from.After(a) {
			a = s.from
		}
		if !s.to.IsZero() && s.to.Before(b) {
			b = s.to
		}
		if !a.Before(b) {
			continue
		}
		cuts := []time.Time{a, b}
		for _, f := range r.setting[s.device] {
			if f.At.After(a) && f.At.Before(b) {
				cuts = append(cuts, f.At)
			}
		}
		if d := site.Dispenser(s.device); d != nil {
			for _, set := range d.Settings {
				if t := set.ValidFrom.Start(site.Location()); t.After(a) && t.Before(b) {
					cuts = append(cuts, t)
				}
			}
		}
		slices.SortFunc(cuts, time.Time.Compare)
		for i := 0; i+1 < len(cuts); i++ {
			if !cuts[i].Before(cuts[i+1]) {
				continue
			}
			set, ok := r.settingAt(site, s.device, cuts[i])
			if n := len(out); n > 0 && out[n-1].device == s.device && out[n-1].known == ok && out[n-1].setting.Setting.Pacing == set.Pacing && rate(out[n-1].setting.Setting) == rate(set.Setting) && out[n-1].to.Equal(cuts[i]) {
				out[n-1].to = cuts[i+1]
				continue
			}
			out = append(out, piece{device: s.device, setting: set, known: ok, from: cuts[i], to: cuts[i+1]})
		}
	}
	return out
}
