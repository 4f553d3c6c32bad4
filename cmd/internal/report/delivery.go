package report

import (
	"fmt"
	"io"
	"math"
	"strconv"
	"strings"

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
	config.EvidenceCounted:  "counted",
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
	)
	for _, d := range rows {
		t.Row(d.Point, fmt.Sprintf("%.0f", d.To.Sub(d.From).Hours()/24), number(d.PlannedCM3), number(d.CommandedCM3), number(d.DeliveredCM3), ratio(d), evidenceWords[d.Evidence], VerdictWords(d.Verdict))
	}
	if err := t.Write(w, width); err != nil {
		return err
	}
	fmt.Fprintln(w)
	if err := text.Paragraph(w, width, "", "ratio: delivered / commanded, with its standard error. Only measured evidence can prove delivery; a device that counts its own strokes agrees with the command even when its line is blocked."); err != nil {
		return err
	}
	return reasons(w, width, rows)
}

// reasons says why, once for all points that share a reason.
func reasons(w io.Writer, width int, rows []forecast.Delivery) error {
	var order []string
	points := map[string][]string{}
	for _, d := range rows {
		if d.Why == "" {
			continue
		}
		if points[d.Why] == nil {
			order = append(order, d.Why)
		}
		points[d.Why] = append(points[d.Why], d.Point)
	}
	for _, why := range order {
		fmt.Fprintln(w)
		if err := text.Paragraph(w, width, "", strings.Join(points[why], ", ")+":"); err != nil {
			return err
		}
		if err := text.Paragraph(w, width, "    ", why); err != nil {
			return err
		}
	}
	return nil
}

func number(v *float64) string {
	if v == nil {
		return "-"
	}
	return fixed(*v, 1)
}

func ratio(d forecast.Delivery) string {
	if d.Ratio == nil {
		return "-"
	}
	if d.RatioSD == nil {
		return fixed(*d.Ratio, 2)
	}
	return fmt.Sprintf("%s ± %.2f", fixed(*d.Ratio, 2), *d.RatioSD)
}

// fixed prints with so many decimals, and never a negative zero.
func fixed(v float64, decimals int) string {
	p := math.Pow10(decimals)
	return strconv.FormatFloat(math.Round(v*p)/p+0, 'f', decimals, 64)
}
