package forecast

import (
	"context"
	"sync"

	"dwindle/collector/reading"
	"dwindle/config"
	"dwindle/forecast/calibration"
	"dwindle/forecast/duty"
)

// outlook is what is expected of a duty. Its curves over the calendar ahead are
// made for each point when they are needed: they take a hundred times the
// memory of the model, and a fleet has thousands of machines.
type outlook struct {
	model duty.Model
	kept  *duty.Kept
	means [config.DayTypes]float64 // duty of a whole day of a type, 0 where there is no model
	// before and after are the use by work patterns relative to ordinary days,
	// as loads has them, with what was seen of these patterns.
	before, after []float32
	seen          []seenLoad
}

// unknown is the outlook of points that need none.
var unknown outlook

// keep gives what stays of the model after the pass, shared by all points of a
// machine.
func (o *outlook) keep(t *calibration.Table) *duty.Kept {
	if o.kept == nil {
		if kind, ok := calibration.KindOf(&o.model); ok && t.WeekShare(kind) > 0 {
			o.kept = o.model.KeepWeek()
		} else {
			o.kept = o.model.Keep()
		}
	}
	return o.kept
}

// known says that there is a model.
func (o *outlook) known() bool { return o.model.Rung() != "" && o.model.Rung() != duty.RungNone }

// outlookKey is what an outlook depends on, for those shared by points.
type outlookKey struct {
	machine string
	perWeek float64
}

// machineOutlook learns the run-hours of a machine, once for all its points with
// the same plan.
func (p *pass) machineOutlook(ctx context.Context, machine string, perWeek float64) (*outlook, error) {
	key := outlookKey{machine, perWeek}
	if out, ok := p.outlook[key]; ok {
		return out, nil
	}
	out, err := p.outlookFrom(ctx, source{machine, reading.Run}, machine, perWeek, mostHours, true)
	if err != nil {
		return nil, err
	}
	out.keep(p.opt.Calibration)
	p.outlook[key] = out
	return out, nil
}

// mostHours is how long a machine can run in a day.
const mostHours = 24

// outlookFrom learns a duty of a machine. loaded says that the work patterns of
// the machine tell on it.
func (p *pass) outlookFrom(ctx context.Context, s source, machine string, perWeek, maxPerDay float64, loaded bool) (*outlook, error) {
	if loaded && len(p.calendar(machine).loads.names) > 0 {
		// What is taken of a pattern follows from all of its days.
		days, err := p.table(ctx, s)
		if err != nil {
			return nil, err
		}
		return p.learn(days, machine, perWeek, maxPerDay, true), nil
	}
	past, err := p.past(ctx, s, machine, maxPerDay)
	if err != nil {
		return nil, err
	}
	return p.fitted(p.looks.next(), past, perWeek), nil
}

// learn fits a model to a table; today, which is not over, is left out.
func (p *pass) learn(days []reading.Day, machine string, perWeek, maxPerDay float64, loaded bool) *outlook {
	history, from := p.historyOf(days, machine)
	out := p.looks.next()
	if loaded && len(p.site.Calendar.WorkPatterns) > 0 {
		out.load(&p.calendar(machine).loads, history, from, maxPerDay)
	}
	p.state = duty.Rules{MaxPerDay: maxPerDay}.State()
	for _, d := range history {
		p.state.Add(d)
	}
	return p.fitted(out, &p.state, perWeek)
}

// fitted gives an outlook the model of a past.
func (p *pass) fitted(out *outlook, past *duty.State, perWeek float64) *outlook {
	var plan *duty.Plan
	if perWeek > 0 {
		plan = &duty.Plan{PerWeek: perWeek}
	}
	out.model = past.ModelWith(&p.fit, plan, &p.opt.Calibration.Fleet)
	if out.known() {
		for t := range out.means {
			out.means[t] = out.model.Day(config.DayType(t))
		}
	}
	return out
}

// looks is room for the outlooks of a chunk, used again by the next one.
type looks struct {
	list [chunkPoints]outlook
	n    int
}

var manyLooks = sync.Pool{New: func() any { return &looks{} }}

func (l *looks) next() *outlook {
	if l.n == len(l.list) {
		return &outlook{}
	}
	l.n++
	return &l.list[l.n-1]
}

func (l *looks) done() {
	clear(l.list[:l.n])
	l.n = 0
	manyLooks.Put(l)
}
