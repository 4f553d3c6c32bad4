package board

import (
	"fmt"
	"net/http"
	"strings"

	"dwindle/alerts/alarm"
	"dwindle/config"
	"dwindle/config/civil"
	"dwindle/forecast"
)

// pointBody is the page of one point.
type pointBody struct {
	Row      fleetRow
	Where    string
	Axis     axis
	Dots     []dot
	DotsSay  string
	Facts    []fact
	Explain  []string
	Delivery *forecast.Delivery
	Verdict  string
	Window   string
	Fills    []fillView
	Alarms   []alarmView
	History  []alarmView
}

// fact is one number with its name.
type fact struct{ Name, Value string }

type fillView struct {
	Began, Ended, Volume, Residual, By, Note string
}

func (b *board) point(r *http.Request, v *view) error {
	ctx, cancel := within(r)
	defer cancel()
	id := r.PathValue("id")
	register := v.Site.Point(id)
	var st *forecast.State
	for i := range v.fleet.States {
		if v.fleet.States[i].Row.Point == id {
			st = &v.fleet.States[i]
		}
	}
	if register == nil && st == nil {
		return errNotFound
	}
	v.Title, v.Nav, v.template = id, "fleet", "point.html"
	body := pointBody{}
	v.Body = &body
	if st == nil {
		st = &forecast.State{Row: forecast.Row{Point: id, Machine: register.Machine, Withheld: "the first forecast is still being made"}}
	}
	today := v.Site.Today(v.now)
	if v.ready {
		today = v.Site.Today(v.fleet.At)
	}
	body.Row = b.fleetRow(v, st, today)
	if register != nil {
		body.Where = register.Location
	}
	body.Axis = newAxis(today, axisDays)
	body.Row.Bar = body.Axis.draw(st, visitsOf(v.Site, body.Row.Area, body.Axis.From, body.Axis.To))
	body.Dots, body.DotsSay = dots(body.Axis, st, today)
	body.Facts = v.facts(st, register, today)
	body.Explain = explain(v, st)
	if st.Delivery.Verdict != "" {
		body.Delivery = &st.Delivery
		body.Verdict = strings.ReplaceAll(string(st.Delivery.Verdict), "_", " ")
		body.Window = v.clock(st.Delivery.From) + " to " + v.clock(st.Delivery.To)
	}
	fills, err := b.src.Fills(ctx, id)
	if err != nil {
		return err
	}
	for _, f := range fills {
		body.Fills = append(body.Fills, v.fill(f))
	}
	rows, err := b.src.Alarms(ctx, id, true, 50)
	if err != nil {
		return err
	}
	var open []alarm.Row
	for i := range rows {
		if rows[i].State == alarm.Normal {
			body.History = append(body.History, v.alarm(&rows[i]))
		} else {
			open = append(open, rows[i])
		}
	}
	alarm.SortRows(open)
	for i := range open {
		body.Alarms = append(body.Alarms, v.alarm(&open[i]))
	}
	return nil
}

func (v *view) fill(f Fill) fillView {
	out := fillView{Began: v.clock(f.Began), Ended: "in service", Volume: optional(f.VolumeCM3), Residual: optional(f.ResidualCM3), By: f.By, Note: f.Note}
	if !f.Ended.IsZero() {
		out.Ended = v.clock(f.Ended)
	}
	return out
}

// facts are the numbers of a point, those that exist.
func (v *view) facts(st *forecast.State, p *config.Point, today civil.Date) []fact {
	var out []fact
	add := func(name, value string) { out = append(out, fact{name, value}) }
	r := &st.Row
	if m := v.Site.Machine(r.Machine); m != nil {
		add("machine", strings.TrimSpace(m.ID+" "+m.Name)+", criticality "+string(m.Criticality))
	}
	if st.Device != "" {
		add("dispenser", st.Device+", paced by "+pacing(r.Pacing))
	}
	if p != nil {
		if l := v.Site.Lubricant(p.Lubricant); l != nil {
			add("lubricant", strings.TrimSpace(l.ID+" "+l.Name))
		}
		if c := v.Site.Reservoir(p.Reservoir); c != nil {
			add("reservoir", strings.TrimSpace(c.ID+" "+c.Name))
		}
	}
	if r.RemainingCM3 != nil {
		text := "about " + number(max(0, *r.RemainingCM3)) + " cm³"
		if r.RemainingSDCM3 != nil {
			text += " ± " + number(*r.RemainingSDCM3)
		}
		if r.CapacityCM3 != nil {
			text += " of " + number(*r.CapacityCM3)
		}
		add("left in the reservoir", text)
	}
	for _, n := range r.Notices {
		add("to know", n)
	}
	if r.CountLeft != nil {
		add("display should show", number(float64(*r.CountLeft))+" pulses")
	}
	if r.DutyPerDay != nil {
		unit := " h a day"
		if r.Pacing == config.PacingPulse {
			unit = " pulses a day"
		}
		add("expected duty", number(*r.DutyPerDay)+unit)
	}
	if st.Setting != nil {
		how := ", from the register"
		if st.SettingReported {
			how = ", as reported"
		}
		add("setting in force", settingWords(st.Setting)+how)
	}
	if r.PlannedEmpty != nil {
		text := when(*r.PlannedEmpty, today)
		if r.DriftDays != nil && *r.DriftDays != 0 {
			way := "later"
			if *r.DriftDays < 0 {
				way = "earlier"
			}
			text += fmt.Sprintf("; now likely %d days %s", max(*r.DriftDays, -*r.DriftDays), way)
		}
		add("planned empty", text)
	}
	if r.NextVisit != nil {
		text := when(*r.NextVisit, today)
		if r.ChanceBeforeVisit != nil {
			text += "; chance of " + share(*r.ChanceBeforeVisit) + " that it is empty before"
		}
		add("next visit", text)
	}
	return out
}

func pacing(p config.Pacing) string {
	switch p {
	case config.PacingRun:
		return "run-hours"
	case config.PacingPulse:
		return "pulses"
	}
	return "an unknown rule"
}

func settingWords(s *config.Setting) string {
	if s.Pacing == config.PacingPulse {
		return number(s.CM3PerPulse) + " cm³ per pulse"
	}
	return number(s.CM3Per100h) + " cm³ per 100 h"
}

// explain says what the forecast rests on.
func explain(v *view, st *forecast.State) []string {
	var out []string
	r := &st.Row
	if r.Withheld != "" {
		return []string{"No forecast: " + r.Withheld + "."}
	}
	if r.FillStarted != nil {
		out = append(out, "The reservoir went into service on "+v.clock(*r.FillStarted)+".")
	}
	switch base, _, _ := strings.Cut(r.Basis, " "); base {
	case "plan":
		out = append(out, "Duty by the plan: there is too little history for more.")
	case "":
	default:
		out = append(out, "Duty learned from the machine's own days, over the plant's calendar ("+r.Basis+").")
	}
	switch r.Evidence {
	case config.EvidenceMeasured:
		out = append(out, "Corrected by measured levels or doses.")
	case config.EvidenceCounted:
		out = append(out, "Dead reckoning: the device counts its own strokes, which proves no delivery.")
	case config.EvidenceNone:
		out = append(out, "Dead reckoning from duty and setting alone: nothing is measured here.")
	}
	if r.DeliveryFactor != nil {
		out = append(out, "Delivery factor "+number(*r.DeliveryFactor)+" (1 is as commanded).")
	}
	if !st.NewestDuty.IsZero() {
		out = append(out, "Newest duty reading: "+v.ago(st.NewestDuty)+".")
	}
	if !st.NewestLevel.IsZero() {
		out = append(out, "Newest level reading: "+v.ago(st.NewestLevel)+".")
	}
	if st.Counted != nil && st.Counted.Why != "" {
		out = append(out, st.Counted.Why)
	}
	return out
}
