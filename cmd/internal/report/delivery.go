package report

import (
	"fmt"
	"io"

	"dwindle/cmd/internal/text"
	"dwindle/config"
	"dwindle/forecast"
)

// verdictWords says a verdict to a person.
var verdictWords = map[forecast.Verdict]string{
	forecast.AsPlanned:     "as told",
	forecast.Under:         "delivers too little",
	forecast.Over:          "delivers too much",
	forecast.NotDispensing: "does not dispense",
	forecast.NotObservable: "cannot be seen",
	forecast.TooEarly:      "too early to tell",
}

// VerdictWords says a verdict to a person.
func VerdictWords(v forecast.Verdict) string {
	if s, ok := verdictWords[v]; ok {
		return s
	}
	return string(v)
}

// evidenceWords says what an amount rests on.
var evidenceWords = map[config.Evidence]string{
	config.EvidenceMeasured: "measured",
	config.EvidenceCounted:  "counted by device",
	config.EvidenceNone:     "none",
}

// Delivery writes planned, commanded and delivered volume, one line a point.
func Delivery(w io.Writer, width int, site *config.Site, rows []forecast.Delivery) error {
	t := text.NewTable(
		text.Column{Head: "point"},
		text.Column{Head: "days", Right: true},
		text.Column{Head: "planned cm3", Right: true},
		text.Column{Head: "commanded cm3", Right: true},
		text.Column{Head: "delivered cm3", Right: true},
		text.Column{Head: "ratio", Right: true},
		text.Column{Head: "evidence"},
		text.Column{Head: "verdict"},
		text.Column{Head: "why", Wrap: true},
	)
	for _, d := range rows {
		t.Row(d.Point, fmt.Sprintf("%.0f", d.To.Sub(d.From).Hours()/24), number(d.PlannedCM3), number(d.CommandedCM3), number(d.DeliveredCM3), ratio(d), evidenceWords[d.Evidence], VerdictWords(d.Verdict), d.Why)
	}
	if err := t.Write(w, width); err != nil {
		return err
	}
	_, err := fmt.Fprintln(w, "\nratio: delivered / commanded with its standard error. Only measured evidence can prove delivery;\na device that counts its own strokes agrees with the command even when its line is blocked.")
	return err
}

func number(v *float64) string {
	if v == nil {
		return "-"
	}
	return fmt.Sprintf("%.1f", *v)
}

func ratio(d forecast.Delivery) string {
	if d.Ratio == nil {
		return "-"
	}
	if d.RatioSD == nil {
		return fmt.Sprintf("%.2f", *d.Ratio)
	}
	return fmt.Sprintf("%.2f ± %.2f", *d.Ratio, *d.RatioSD)
}
