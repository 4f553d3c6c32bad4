package forecast

import (
	"context"
	"fmt"
	"math"
	"time"

	"dwindle/collector/reading"
	"dwindle/config"
	"dwindle/config/civil"
	"dwindle/forecast/depletion"
	"dwindle/forecast/reservoir"
)

// silentDays is how long the duty signal may be silent before a forecast would
// rest on guesses alone (a proposal; the telemetry alarm speaks long before).
const silentDays = 30

// work is a point's state with what explains it.
type work struct {
	State
	point   *config.Point
	device  *config.Dispenser
	setting force
	priced  bool
	usage   usage
	look    *outlook
	cells   []cell
	sights  sights
	params  reservoir.Params
	track   reservoir.Track
	steps   []reservoir.Step
	times   []time.Time // end of each step
	from    time.Time   // of the cells: the fill's start, or the window's
	// began is when the stretch of the fill began that the track is of: the fill,
	// the last swap, or the last change that nobody recorded.
	began time.Time
	// capacity is what was put in, 0 if not known.
	capacity float64
	fillSD   float64 // scatter of a new fill, cm3
	budget   depletion.Budget
	// pulsesSeen says that the dispenser ever reported pulses.
	pulsesSeen bool
	judgement  reservoir.Judgement
	// measured says that the present fill has evidence of its own. deferred says
	// that it has none, so that the point waits until the spread of those that
	// have is known.
	measured bool
	deferred bool
}

// point works out all about one point. What it returns holds on to sc only until
// the next point.
func (p *pass) point(ctx context.Context, pt *config.Point, sc *scratch) (*work, error) {
	p.rooms = 0
	w := &sc.work
	*w = work{point: pt, look: &unknown}
	w.Row = Row{Point: pt.ID, Machine: pt.Machine, Evidence: config.EvidenceNone}
	w.Delivery = Delivery{Point: pt.ID, To: p.at, Evidence: config.EvidenceNone}
	w.Device = p.records.deviceAt(pt.ID, p.at)
	w.Row.Dispenser = w.Device
	w.device = p.site.Dispenser(w.Device)
	w.setting, w.priced = p.records.settingAt(p.site, w.Device, p.at)
	if w.priced {
		s := w.setting.Setting
		w.Setting, w.SettingReported, w.SettingSince = &s, w.setting.reported, w.setting.since
		w.Row.Pacing = s.Pacing
	}
	if s, ok := p.site.SettingAt(w.Device, p.at); ok {
		if w.Registered = w.Setting; !w.priced || s != *w.Setting {
			w.Registered = &s
		}
	}
	w.InCommissioning = p.inCommissioning(pt.ID)
	w.from = p.at.AddDate(0, 0, -p.opt.WindowDays)
	if f := p.records.fillStart(pt.ID, p.at); f != nil {
		w.LastChange, w.Row.FillStarted, w.from = f, &f.At, f.At
		w.capacity = p.capacity(pt, f)
		if w.capacity > 0 {
			v := w.capacity
			w.Row.CapacityCM3 = &v
		}
	}
	w.Delivery.From = w.from
	if w.Device == "" {
		w.Row.Withheld = fmt.Sprintf("no dispenser at this point: name one in the site file (dispensers: point: %s) or record it with `dwindle swap`", pt.ID)
		w.Delivery.Verdict, w.Delivery.Why = NotObservable, "no dispenser at this point"
		return w, nil
	}
	var err error
	if w.sights, err = p.levels(ctx, pt, w.from, p.at, w.capacity); err != nil {
		return nil, err
	}
	if w.measured, err = p.measuredNow(ctx, w); err != nil {
		return nil, err
	}
	if p.spread == nil && !w.measured {
		w.deferred = true
		return w, nil
	}
	if w.usage, err = p.usageOf(ctx, pt, w.Device, w.setting.Setting); err != nil {
		return nil, err
	}
	if w.look, err = p.outlookOf(ctx, pt, w.usage); err != nil {
		return nil, err
	}
	carried, err := p.carried(ctx, w, sc)
	if err != nil {
		return nil, err
	}
	w.params.Carried = carried
	if w.cells, err = p.cells(ctx, pt, w.from, p.at, w.usage, w.look, sc); err != nil {
		return nil, err
	}
	if w.usage.kind == reading.Pulse {
		if w.pulsesSeen, err = p.everSeen(ctx, w.usage.source); err != nil {
			return nil, err
		}
	}
	if err = p.newest(ctx, w); err != nil {
		return nil, err
	}
	p.follow(w, sc)
	if err = p.delivery(ctx, w); err != nil {
		return nil, err
	}
	p.notices(w)
	if err = p.counted(ctx, w); err != nil {
		return nil, err
	}
	if err = p.doseGap(ctx, w); err != nil {
		return nil, err
	}
	p.dates(w, sc)
	return w, nil
}

// inCommissioning says that the point was commissioned not long ago and not
// accepted yet.
func (p *pass) inCommissioning(point string) bool {
	list := p.records.at(point)
	for i := len(list) - 1; i >= 0; i-- {
		f := list[i]
		if f.Kind != reading.FactCommission || f.At.After(p.at) {
			continue
		}
		accepted := f.Accepted != nil && *f.Accepted
		return !accepted && p.today-p.site.Today(f.At) < civil.Date(p.limits.CommissioningDays)
	}
	return false
}

// capacity is the usable volume that a fill began with.
func (p *pass) capacity(pt *config.Point, f *reading.Fact) float64 {
	if f.VolumeCM3 != nil && *f.VolumeCM3 > 0 {
		return *f.VolumeCM3
	}
	return p.usable(pt, 0)
}

// newest finds the newest readings that feed the forecast.
func (p *pass) newest(ctx context.Context, w *work) error {
	seen, ok, err := p.src.Newest(ctx, w.usage.device, p.at)
	if err != nil {
		return fmt.Errorf("read when %s was last seen: %w", w.usage.device, err)
	}
	if ok {
		w.NewestDuty = seen
	}
	if n := len(w.sights.measured); n > 0 {
		w.NewestLevel = w.sights.measured[n-1].at
	}
	if n := len(w.sights.counted); n > 0 && w.sights.counted[n-1].at.After(w.NewestLevel) {
		w.NewestLevel = w.sights.counted[n-1].at
	}
	return nil
}

// follow runs the fill through the reservoir's filter.
func (p *pass) follow(w *work, sc *scratch) {
	w.params = p.params(w, w.capacity, w.params.Carried)
	w.params.PerYear = w.sights.perYear()
	var st []reservoir.Step
	st, w.times = steps(w.cells, w.sights.measured, w.params.FillSD, channelOf(w.device), sc)
	fillSD := w.params.FillSD
	w.steps = st
	w.track = reservoir.Follow(w.params, st)
	w.params, w.fillSD, w.began = w.track.Fill, fillSD, w.from
	if k := w.track.Began; k > 0 {
		w.began = w.times[k-1]
	}
	switch {
	case len(w.sights.measured) > 0 || doseSeen(w.cells) || w.track.Kept:
		w.Row.Evidence = config.EvidenceMeasured
	case len(w.sights.counted) > 0 || countsSeen(w.cells) || w.usage.kind == reading.Pulse && !w.NewestDuty.IsZero():
		w.Row.Evidence = config.EvidenceCounted
	}
	w.Delivery.Evidence = w.Row.Evidence
	if w.LastChange == nil || w.capacity <= 0 || !w.chargeable() {
		return
	}
	e := w.track.Estimate
	holds := w.capacity
	if len(w.track.Rises) > 0 {
		holds = math.Max(holds, w.params.Size)
	}
	left, sd := e.Shown(holds), math.Sqrt(math.Max(0, e.VarR))
	factor, factorSD := math.Min(math.Max(e.Factor, 0), 2), math.Sqrt(math.Max(0, e.VarF))
	w.Row.RemainingCM3, w.Row.RemainingSDCM3 = &left, &sd
	w.Row.DeliveryFactor, w.Row.DeliveryFactorSD = &factor, &factorSD
	if s := w.setting.Setting; s.Pacing == config.PacingPulse && s.CM3PerPulse > 0 {
		n := int64(math.Round(math.Max(0, w.capacity-w.track.Commanded) / s.CM3PerPulse))
		w.Row.CountLeft = &n
	}
}

// channelOf is the declared dose channel of a dispenser.
func channelOf(d *config.Dispenser) config.ChannelInfo {
	if d == nil {
		return config.ChannelInfo{}
	}
	_, info := d.EvidenceOf("dose")
	return info
}

// params describe a fill of a point for the reservoir's filter.
func (p *pass) params(w *work, capacity float64, carried *reservoir.Carried) reservoir.Params {
	fillSD := 2.0
	if r := p.site.Reservoir(w.point.Reservoir); r != nil && r.FillSDPercent > 0 {
		fillSD = r.FillSDPercent
	}
	size := math.Max(p.usable(w.point, capacity), capacity)
	factor, factorSD := 1.0, unproven
	if p.spread != nil && !w.measured {
		factor, factorSD = p.spread.mean, p.spread.sd
	}
	return reservoir.Params{
		Capacity: capacity, FillSD: fillSD / 100 * capacity, Size: size, SizeSD: fillSD / 100 * size,
		Scatter: p.scatter(w), Factor: factor, FactorSD: factorSD, Carried: carried,
		Limits: reservoir.Limits{Under: p.limits.UnderRatio, Over: p.limits.OverRatio, NotDispensing: p.limits.NotDispensingRatio},
	}
}

// unproven is the sd of the delivery factor that a measured point begins with,
// wide enough for its own evidence to speak: common practice for small piston
// and cam pumps in service.
const unproven = 0.10

// assumedDose is the volume of one stroke where the site file has none.
const assumedDose = 0.5

// scatter is the variance of what goes out per commanded cm3.
func (p *pass) scatter(w *work) float64 {
	dose, cv := p.dose(w.device, w.setting.Setting)
	return dose * cv * cv
}

// dose is the volume of one dose of a dispenser, and how much it scatters as a
// share of it.
func (p *pass) dose(device *config.Dispenser, set config.Setting) (dose, cv float64) {
	dose, cv = assumedDose, 0.10
	if device != nil {
		if m := p.site.Model(device.Model); m != nil {
			if m.CM3PerStroke > 0 {
				dose = m.CM3PerStroke
			}
			if m.StrokeSDPercent > 0 {
				cv = m.StrokeSDPercent / 100
			}
		}
	}
	if set.Pacing == config.PacingPulse && set.CM3PerPulse > 0 {
		dose = set.CM3PerPulse
	}
	return dose, cv
}

// chargeable says that the whole fill's commanded volume is known or can be
// expected: a setting was in force and duty was seen or is planned.
func (w *work) chargeable() bool {
	for i := range w.cells {
		if !w.cells[i].priced {
			return false
		}
		if w.cells[i].known < 0.5 && !w.look.known() {
			return false
		}
	}
	return w.priced
}

func doseSeen(cells []cell) bool {
	for i := range cells {
		if cells[i].doseKnown > 0 {
			return true
		}
	}
	return false
}

func countsSeen(cells []cell) bool {
	for i := range cells {
		if cells[i].countedOK > 0 {
			return true
		}
	}
	return false
}

// lastDuty is the end of the last stretch of the fill in which the duty that
// paces the point was known, the fill's start if never.
func (w *work) lastDuty() (at time.Time, ever bool) {
	for i := len(w.cells) - 1; i >= 0; i-- {
		if c := &w.cells[i]; c.known > 0 {
			return c.from.Add(time.Duration(c.known * float64(c.to.Sub(c.from)))), true
		}
	}
	return w.from, false
}
