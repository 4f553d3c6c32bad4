package config_test

import (
	"os"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"
	"go.yaml.in/yaml/v3"

	"dwindle/config"
)

const table = `area,area_name,machine,criticality,run_signal,point,point_name,location,sequence,lubricant,reservoir,dose_cm3_per_100h,dose_cm3_per_day,hours_per_week,pulses_per_day,dispenser,serial,model,valid_from,pacing,cm3_per_100h,cm3_per_pulse
quay,Quay,belt-1,A,,belt-1-drive,"Drive bearing, land side","walkway, land side",1,ep2,res-125,4.2,,60,,d-1,A-1,run-range,2026-01-12,run,4.2,
quay,,belt-1,,,belt-1-tail,"Tail, ""wet"" side",,2,ep2,res-125,4,,60,,,,,,,,
tower,Tower,gate-1,C,false,gate-1-spindle,,,3,ep2,res-60,,0.4,,4,d-2,,both-list,2026-01-12,pulse,,0.1
`

// rest is what a table of points does not hold.
const rest = `
site: riverside
zone: Europe/Berlin
data: data
lubricants: [{id: ep2}]
reservoirs:
  - {id: res-60, nominal_cm3: 60, usable_cm3: 57}
  - {id: res-125, nominal_cm3: 125, usable_cm3: 120}
dispenser_models:
  - {id: run-range, pacing: [run], run_range_cm3_per_100h: {from: 0.2, to: 20, step: 0.1}}
  - {id: both-list, pacing: [pulse], pulse_steps_cm3: [0.1, 0.3]}
connections: {embedded_broker: {listen: "127.0.0.1:0"}}
`

func TestImportedPointsLoad(t *testing.T) {
	fragment, err := config.ImportPoints(strings.NewReader(table))
	require.NoError(t, err)
	site, err := config.Parse("site.yaml", append(fragment, rest...))
	require.NoError(t, err, "%s", fragment)

	require.Len(t, site.Areas, 2)
	require.Len(t, site.Machines, 2)
	require.Equal(t, config.CriticalityA, site.Machine("belt-1").Criticality)
	require.False(t, site.Machine("gate-1").HasRunSignal())
	require.Equal(t, "Quay", site.Area("quay").Name)
	require.Equal(t, `Tail, "wet" side`, site.Point("belt-1-tail").Name)
	require.Equal(t, "walkway, land side", site.Point("belt-1-drive").Location)
	require.Equal(t, 0.4, site.Point("gate-1-spindle").Plan.DoseCM3PerDay)
	require.Equal(t, "d-1", site.DispenserAt("belt-1-drive").ID)
	require.Equal(t, 0.1, site.Dispenser("d-2").Settings[0].CM3PerPulse)
	require.Nil(t, site.DispenserAt("belt-1-tail"))
}

func TestExampleTableFitsTheExampleSite(t *testing.T) {
	f, err := os.Open("../deploy/example-points.csv")
	require.NoError(t, err)
	defer f.Close()
	fragment, err := config.ImportPoints(f)
	require.NoError(t, err)
	points, err := config.Parse("points.yaml", append(fragment, rest...))
	require.ErrorContains(t, err, "grease-ep2") // the lubricant is the site's
	require.Nil(t, points)

	whole, err := config.Load("../deploy/example-site.yaml")
	require.NoError(t, err)
	var part config.Site
	require.NoError(t, yaml.Unmarshal(fragment, &part))
	site := &config.Site{ID: whole.ID, Zone: whole.Zone, Data: whole.Data, Lubricants: whole.Lubricants, Reservoirs: whole.Reservoirs, Models: whole.Models,
		Areas: part.Areas, Machines: part.Machines, Points: part.Points, Dispensers: part.Dispensers}
	require.NoError(t, site.Validate())
}

func TestImportUnderstandsSpreadsheets(t *testing.T) {
	want, err := config.ImportPoints(strings.NewReader(
		"area,machine,point,lubricant,reservoir,dose_cm3_per_100h,location\nquay,belt-1,p1,ep2,r,4.2,\"left; behind, the guard\"\n"))
	require.NoError(t, err)
	for name, in := range map[string]string{
		"byte-order mark":         "\xef\xbb\xbfarea,machine,point,lubricant,reservoir,dose_cm3_per_100h,location\nquay,belt-1,p1,ep2,r,4.2,\"left; behind, the guard\"\n",
		"semicolons, comma":       "area;machine;point;lubricant;reservoir;dose_cm3_per_100h;location\r\nquay;belt-1;p1;ep2;r;4,2;\"left; behind, the guard\"\r\n",
		"semicolons, point":       "area;machine;point;lubricant;reservoir;dose_cm3_per_100h;location\nquay;belt-1;p1;ep2;r;4.2;\"left; behind, the guard\"",
		"tabs":                    "area\tmachine\tpoint\tlubricant\treservoir\tdose_cm3_per_100h\tlocation\nquay\tbelt-1\tp1\tep2\tr\t4,2\tleft; behind, the guard\n",
		"another order and case":  "Location,Dose_cm3_per_100h,reservoir,lubricant,Point,machine,area\n\"left; behind, the guard\",4.2,r,ep2,p1,belt-1,quay\n",
		"empty rows and columns":  "area;machine;point;lubricant;reservoir;dose_cm3_per_100h;location;;\n;;;;;;;;\nquay;belt-1;p1;ep2;r;4,2;\"left; behind, the guard\";;\n;;;;;;;;\n",
		"spaces around the cells": "area, machine, point, lubricant, reservoir, dose cm3 per 100h, location\nquay , belt-1, p1 , ep2, r, 4.2 , \"left; behind, the guard\"\n",
	} {
		t.Run(name, func(t *testing.T) {
			got, err := config.ImportPoints(strings.NewReader(in))
			require.NoError(t, err)
			require.Equal(t, string(want), string(got))
		})
	}
}

func TestImportReportsEachBadRow(t *testing.T) {
	const head = "area,machine,point,lubricant,reservoir,dose_cm3_per_100h,dose_cm3_per_day,dispenser,model,pacing,valid_from,cm3_per_100h\n"
	for name, c := range map[string]struct{ in, want string }{
		"rows": {head +
			"quay,belt-1,p1,ep2,r,much,,,,,,\n" +
			"quay,belt-1,p 2,ep2,r,4.2,,,,,,\n" +
			"quay,belt-1,p3,ep2,r,4.2,1,,,,,\n" +
			"quay,,p4,ep2,r,4.2,,,,,,\n" +
			"quay,belt-1,p5,ep2,r,4.2,,d-1,,,,\n" +
			"quay,belt-1,p6,ep2,r,4.2,,d-2,m,run,2026-13-01,4\n" +
			"quay,belt-1,p7,ep2,r,4.2,,d-2,m,run,,4\n" +
			"quay,belt-1,p8,ep2,r,4.2,,,m,,,\n" +
			"quay,belt-1,p9,ep2,r,5000,,,,,,\n" +
			"quay,belt-1,p10,ep2,r,4.2,,,,,,,surplus\n" +
			"quay,belt-1,p11,ep2,r,\"4,2\",,,,,,\n" +
			"quay,belt-1,P7,ep2,r,4.2,,,,,,\n" +
			"quay,belt-1,good,ep2,r,4.2,,,,,,\n" +
			"tower,belt-1,p12,ep2,r,4.2,,,,,,\n", `line 2, column 22: dose_cm3_per_100h: want a number, found "much"; try: write a plain number; the key's name says the unit
line 3, column 13: point: "p 2" cannot be an id; try: 1 to 64 letters, digits, dots, underscores or hyphens
line 4, column 22: dose_cm3_per_100h: want one dose; try: fill in either dose_cm3_per_100h or dose_cm3_per_day
line 5, column 6: machine: missing; try: fill it in: Id of the machine; its run messages carry it in the topic.
line 6, column 31: model: missing; try: the model of dispenser d-1
line 7, column 37: valid_from: want a date, found "2026-13-01"; try: write it as year-month-day, such as 2026-11-25, from 1990-01-01 to 2199-12-31
line 8, column 33: pacing: the setting is not complete; try: valid_from, and pacing run with cm3_per_100h or pacing pulse with cm3_per_pulse
line 9, column 27: dispenser: a serial, model or setting without the id of the dispenser; try: fill in dispenser
line 10, column 22: dose_cm3_per_100h: 5000 is outside the sane range; try: a value above 0, at most 1000
line 11, column 33: "surplus" stands in a column without a name; try: name the column, or put quotes around a field that holds a separator
line 12, column 23: dose_cm3_per_100h: want a number, found "4,2"; try: write it with a decimal point: 4.2
line 13, column 13: point: point P7 stands on line 8 already; try: one row per point
line 15, column 1: area: "tower" here, "quay" in an earlier row; try: say the same in every row, or leave it empty after the first`},
		"header": {"area,machine,piont,lubricant,reservoir,colour of paint,area\n", `line 1, column 14: unknown column "piont"; try: did you mean point?
line 1, column 40: unknown column "colour of paint"; try: one of ` + strings.Join(config.ImportColumns(), ", ") + `
line 1, column 56: area: column given twice; try: keep one of the two`},
		"missing column": {"area,machine,point\n", `line 1: lubricant: column missing; try: add the column lubricant
line 1: reservoir: column missing; try: add the column reservoir`},
		"nothing":     {"", "line 1: the table is empty; try: a first row such as area,machine,point,lubricant,reservoir,dose_cm3_per_100h"},
		"only a head": {head, "line 1: the table has no rows; try: one row per lube point below the names of the columns"},
		"UTF-16":      {"\xff\xfea\x00", "line 1: the table is UTF-16; try: save it as CSV in UTF-8"},
		"Latin-1":     {head + "qu\xe4y,belt-1,p1,ep2,r,4,,,,,,\n", `line 2, column 1: area: text holds a control character or is not UTF-8; try: write it as one line of plain text`},
		"quotes":      {head + "quay,belt \"1\",p1,ep2,r,4,,,,,,\nquay,belt-1,p2,ep2,r,,,,,,,\n", "line 2, column 11: not readable as CSV: bare \" in non-quoted-field; try: a field with quotes in it is written \"in \"\"quotes\"\"\"\nline 3, column 22: dose_cm3_per_100h: want one dose; try: fill in either dose_cm3_per_100h or dose_cm3_per_day"},
	} {
		t.Run(name, func(t *testing.T) {
			out, err := config.ImportPoints(strings.NewReader(c.in))
			require.Nil(t, out)
			var faults *config.Faults
			require.ErrorAs(t, err, &faults)
			require.Equal(t, c.want, err.Error())
		})
	}
}

func TestImportColumnsAreExplained(t *testing.T) {
	for _, c := range config.ImportColumns() {
		require.NotEmpty(t, config.ImportHelp(c), c)
	}
	require.Empty(t, config.ImportHelp("colour"))
}

func FuzzImportPoints(f *testing.F) {
	f.Add(table)
	f.Add("area;machine;point;lubricant;reservoir;dose_cm3_per_day\nq;m;p;l;r;1,5\n")
	f.Add("\xff\xfe")
	f.Fuzz(func(t *testing.T, in string) {
		out, err := config.ImportPoints(strings.NewReader(in))
		if err != nil {
			require.Nil(t, out)
			return
		}
		_, err = config.Parse("x", append(out, rest...))
		if err != nil { // what a table cannot know may be wrong, never its form
			require.NotContains(t, err.Error(), "YAML", in)
			require.NotContains(t, err.Error(), "want ", in)
		}
	})
}
