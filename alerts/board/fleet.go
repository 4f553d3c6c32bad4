package board

import (
	"cmp"
	"fmt"
	"net/http"
	"slices"
	"strconv"

	"dwindle/alerts/alarm"
	"dwindle/config"
	"dwindle/config/civil"
	"dwindle/forecast"
)

// pageRows bounds a page: a plant of thousands must open on a phone too.
const pageRows = 200

// undated sorts points without an early date behind all that have one.
const undated = 1 << 40

// fleetBody is the page of all points.
type fleetBody struct {
	Axis    axis
	Rows    []fleetRow
	Counts  []priorityCount
	Weeks   []week
	Tallest int
	Prompts []alarm.Prompt
	// MorePrompts counts those that are not shown.
	MorePrompts int
	Area        string
	Areas       []config.Area
	Points      int
	Without     int // points without a forecast
	Page        int
	Pages       int
}

type priorityCount struct {
	Priority alarm.Priority
	N        int
	New      int // nobody has seen these yet
}

// fleetRow is one point.
type fleetRow struct {
	Point, Name, Machine, Area string
	// Change and Empty are the parts of the text that is always in this order:
	// point, change by, empty (range).
	Change, Empty  string
	Late           bool // the early date is over
	Withheld       string
	Bar            bar
	Priority       alarm.Priority // of its worst listed alarm, empty if none
	Alarm, AlarmID string         // and what it is about
	sort           int64
}

// week counts reservoirs by the week in which their early and likely dates
// fall.
type week struct {
	Label         string
	Early, Likely int
	X, W          pos
	EarlyY, EarlyH, LikelyY, LikelyH,
	TextY int
}

func (b *board) fleet(r *http.Request, v *view) error {
	ctx, cancel := within(r)
	defer cancel()
	v.Title, v.Nav, v.template = "Fleet", "fleet", "fleet.html"
	rows, err := b.src.Alarms(ctx, "", false, 0)
	if err != nil {
		return err
	}
	today := v.Site.Today(v.now)
	if v.ready {
		today = v.Site.Today(v.fleet.At)
	}
	body := fleetBody{Axis: newAxis(today, axisDays), Areas: v.Site.Areas, Area: r.URL.Query().Get("area")}
	v.Body = &body
	for _, p := range []alarm.Priority{alarm.High, alarm.Medium, alarm.Low} {
		body.Counts = append(body.Counts, priorityCount{Priority: p})
	}
	for i := range rows {
		if !rows[i].Asks() {
			continue
		}
		c := &body.Counts[rows[i].Priority.Rank()]
		c.N++
		if rows[i].State != alarm.Acknowledged && rows[i].State != alarm.LatchedAcked {
			c.New++
		}
	}
	if !v.ready {
		return nil
	}
	worst := worstByPoint(rows)
	visits := map[string][]civil.Date{}
	for i := range v.fleet.States {
		st := &v.fleet.States[i]
		row := b.fleetRow(v, st, today)
		if body.Area != "" && row.Area != body.Area {
			continue
		}
		if _, ok := visits[row.Area]; !ok {
			visits[row.Area] = visitsOf(v.Site, row.Area, body.Axis.From, body.Axis.To)
		}
		row.Bar = body.Axis.draw(st, visits[row.Area])
		if a, ok := worst[row.Point]; ok {
			row.Priority, row.Alarm, row.AlarmID = a.Priority, typeTitle(a.Type), a.ID
			if row.sort >= undated {
				// What asks for somebody must not stand behind thousands of
				// points that do not, only because it has no date.
				row.sort = int64(a.Priority.Rank()) - undated
			}
		}
		body.Points++
		if row.Withheld != "" {
			body.Without++
		}
		body.Rows = append(body.Rows, row)
	}
	slices.SortStableFunc(body.Rows, func(a, c fleetRow) int {
		return cmp.Or(cmp.Compare(a.sort, c.sort), cmp.Compare(a.Point, c.Point))
	})
	body.Weeks, body.Tallest = weeks(v.fleet.States, today, 12)
	body.paginate(r.URL.Query().Get("page"))
	prompts, err := b.src.Prompts(ctx)
	if err != nil {
		return err
	}
	const most = 60 // a page is for looking, the command line for all
	body.Prompts = slices.Clone(prompts[:min(most, len(prompts))])
	for i := range body.Prompts {
		body.Prompts[i].Owner = roleName(v.Site, body.Prompts[i].Owner)
	}
	body.MorePrompts = len(prompts) - len(body.Prompts)
	return nil
}

func (b *fleetBody) paginate(want string) {
	b.Pages = max(1, (len(b.Rows)+pageRows-1)/pageRows)
	n, err := strconv.Atoi(want)
	if err != nil {
		n = 1
	}
	b.Page = min(max(n, 1), b.Pages)
	b.Rows = b.Rows[min((b.Page-1)*pageRows, len(b.Rows)):min(b.Page*pageRows, len(b.Rows))]
}

// fleetRow puts a forecast into the words of a row.
func (b *board) fleetRow(v *view, st *forecast.State, today civil.Date) fleetRow {
	r := &st.Row
	row := fleetRow{Point: r.Point, Machine: r.Machine, Withheld: r.Withheld}
	if p := v.Site.Point(r.Point); p != nil {
		row.Name = p.Name
	}
	if m := v.Site.Machine(r.Machine); m != nil {
		row.Area = m.Area
		if m.Name != "" {
			row.Machine = m.Name
		}
	}
	row.Change, row.Empty = emptyWords(r, today)
	row.Late = r.Withheld == "" && r.EmptyP10 != nil && *r.EmptyP10 <= today
	switch {
	case r.Withheld != "":
		row.sort = undated + 1
	case r.EmptyP10 != nil:
		row.sort = int64(*r.EmptyP10)
	default:
		row.sort = undated
	}
	return row
}

// emptyWords writes change date and empty date with its range.
func emptyWords(r *forecast.Row, today civil.Date) (change, empty string) {
	if r.Withheld != "" {
		return "", ""
	}
	if r.EmptyP10 == nil {
		if r.BeyondDays != nil {
			return "", fmt.Sprintf("not empty within %d days", *r.BeyondDays)
		}
		return "", ""
	}
	if by := r.ActBy(); by != nil {
		change = "change by " + when(*by, today)
		switch {
		case *by < today:
			change = "change now"
		case int(*by-today) > farthest:
			change = ""
		}
	}
	if r.EmptySince != nil {
		return change, "empty since about " + when(*r.EmptySince, today) + ", by estimate"
	}
	likely := "later"
	if r.EmptyP50 != nil {
		likely = when(*r.EmptyP50, today)
	}
	span := whenUpTo(*r.EmptyP10, r.EmptyP90, today)
	if span == likely {
		return change, "empty in " + likely
	}
	return change, fmt.Sprintf("empty %s (%s, 80 %%)", likely, span)
}

// worstByPoint finds the first alarm of each point: rows come in the order of
// what to do first.
func worstByPoint(rows []alarm.Row) map[string]alarm.Row {
	out := map[string]alarm.Row{}
	for _, r := range rows {
		if _, ok := out[r.Point]; !ok && r.Point != "" && r.Asks() {
			out[r.Point] = r
		}
	}
	return out
}

// weeks counts early and likely dates by week from today on. What is late
// falls into the first.
func weeks(states []forecast.State, today civil.Date, n int) ([]week, int) {
	const height, base = 56, 72
	out := make([]week, n)
	monday := today - civil.Date((int(today.Weekday())+6)%7)
	place := func(d *civil.Date) (int, bool) {
		if d == nil {
			return 0, false
		}
		i := int(max(*d, today)-monday) / 7
		return i, i < n
	}
	tallest := 1
	for i := range states {
		r := &states[i].Row
		if r.Withheld != "" {
			continue
		}
		if w, ok := place(r.EmptyP10); ok {
			out[w].Early++
			tallest = max(tallest, out[w].Early)
		}
		if w, ok := place(r.EmptyP50); ok {
			out[w].Likely++
			tallest = max(tallest, out[w].Likely)
		}
	}
	for i := range out {
		w := &out[i]
		_, number := weekOf(monday + civil.Date(7*i))
		w.Label = strconv.Itoa(number)
		w.X, w.W = pos(100*(float64(i)+0.18)/float64(n)), pos(100*0.64/float64(n))
		w.EarlyH, w.LikelyH = w.Early*height/tallest, w.Likely*height/tallest
		w.EarlyY, w.LikelyY = base-w.EarlyH, base-w.LikelyH
		w.TextY = min(w.EarlyY, w.LikelyY) - 4
	}
	return out, tallest
}

// Mid is the middle of a column.
func (w week) Mid() pos { return w.X + w.W/2 }

// Before is the number of the page before.
func (b *fleetBody) Before() int { return b.Page - 1 }
