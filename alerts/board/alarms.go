package board

import (
	"net/http"
	"strings"

	"dwindle/alerts/alarm"
	"dwindle/config"
)

// alarmsBody is the alarm list.
type alarmsBody struct {
	Groups  []alarmGroup
	History []alarmView
	Total   int
}

type alarmGroup struct {
	Title, About string
	Rows         []alarmView
	N            int // with those that are not shown
}

// alarmView is one alarm in words.
type alarmView struct {
	alarm.Row
	Subject     string // what it is about: point, device or gateway
	SubjectName string
	Value       string
	Limit       string
	Since       string
	Until       string // when it ended, or when the shelving ends
	ActBy       string
	Seen        string
	Cautions    []string
	Steps       []string
	Quiet       bool // asks nobody for anything now
}

func (b *board) alarms(r *http.Request, v *view) error {
	ctx, cancel := within(r)
	defer cancel()
	v.Title, v.Nav, v.template = "Alarms", "alarms", "alarms.html"
	rows, err := b.src.Alarms(ctx, "", false, 0)
	if err != nil {
		return err
	}
	history, err := b.src.Alarms(ctx, "", true, 200)
	if err != nil {
		return err
	}
	body := alarmsBody{Total: len(rows), Groups: []alarmGroup{
		{Title: "Nobody has seen these yet", About: "Look, acknowledge, act."},
		{Title: "Seen, still there", About: "Somebody knows; the cause is not gone."},
		{Title: "Kept quiet", About: "Shelved by a person, or suppressed because something else explains them. They go on being watched."},
	}}
	for i := range rows {
		g := 1
		switch rows[i].State {
		case alarm.Unacknowledged, alarm.ReturnedUnacked, alarm.LatchedUnacked:
			g = 0
		case alarm.Shelved, alarm.SuppressedByDesign, alarm.OutOfService:
			g = 2
		}
		body.Groups[g].N++
		// Rows come in the order of what to do first; a flood must not keep
		// the page from opening.
		if len(body.Groups[g].Rows) < pageRows {
			body.Groups[g].Rows = append(body.Groups[g].Rows, v.alarm(&rows[i]))
		}
	}
	for i := range history {
		if history[i].Ended != nil {
			body.History = append(body.History, v.alarm(&history[i]))
		}
	}
	v.Body = &body
	return nil
}

// More counts the alarms of the group that are not shown.
func (g alarmGroup) More() int { return g.N - len(g.Rows) }

// alarm puts a row into words.
func (v *view) alarm(r *alarm.Row) alarmView {
	a := alarmView{Row: *r, Value: quantity(r.Value, r.Unit), Limit: quantity(r.Limit, r.Unit), Since: v.ago(r.Since), Quiet: !r.Asks()}
	switch {
	case r.Point != "":
		a.Subject = r.Point
		if p := v.Site.Point(r.Point); p != nil {
			a.SubjectName = p.Name
		}
	case r.Device != "":
		a.Subject = r.Device
		if m := v.Site.Machine(r.Device); m != nil {
			a.SubjectName = m.Name
		}
	case r.Part != "":
		a.Subject = r.Part
	default:
		a.Subject = r.Gateway
		if g := v.Site.Gateway(r.Gateway); g != nil {
			a.SubjectName = g.Name
		}
	}
	a.Owner = roleName(v.Site, r.Owner)
	if r.Ended != nil {
		a.Until = v.clock(*r.Ended)
	}
	if r.ShelvedUntil != nil {
		a.Until = v.clock(*r.ShelvedUntil)
	}
	if r.ActBy != nil {
		a.ActBy = r.ActBy.In(v.loc).Format("2 Jan 2006")
	}
	if r.AcknowledgedAt != nil {
		a.Seen = v.clock(*r.AcknowledgedAt)
	}
	for _, step := range r.Response {
		if c, ok := strings.CutPrefix(step, "Caution. "); ok {
			a.Cautions = append(a.Cautions, c)
		} else {
			a.Steps = append(a.Steps, step)
		}
	}
	return a
}

// roleName is what people call a role.
func roleName(site *config.Site, id string) string {
	for i := range site.Roles {
		if site.Roles[i].ID == id && site.Roles[i].Name != "" {
			return site.Roles[i].Name
		}
	}
	return strings.ReplaceAll(id, "_", " ")
}
