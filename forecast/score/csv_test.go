package score

import (
	"strings"
	"testing"

	"github.com/stretchr/testify/require"

	"dwindle/config"
	"dwindle/forecast/duty"
)

func TestReadCSV(t *testing.T) {
	series, err := ReadCSV(strings.NewReader("\ufeffDate, series,note,duty,daytype\n" +
		"2026-06-03,conveyor,a,7.5,\n" +
		"2026-06-01,conveyor,,8,Holiday\n" +
		"2026-06-01,\"fan, north\",,0,\n" +
		"2026-06-04,conveyor,,,shutdown\n"))
	require.NoError(t, err)
	require.Len(t, series, 2)
	require.Equal(t, "conveyor", series[0].Name)
	require.Equal(t, "2026-06-01", series[0].First.String())
	require.Equal(t, []duty.Day{
		{Type: config.HolidayType, Amount: 8, Seen: 1},
		{Type: config.Tuesday},
		{Type: config.Wednesday, Amount: 7.5, Seen: 1},
		{Type: config.ShutdownType},
	}, series[0].Days)
	require.Equal(t, "fan, north", series[1].Name)
	require.Equal(t, []duty.Day{{Type: config.Monday, Seen: 1}}, series[1].Days)
}

// A day's planned use, beyond the last seen day too.
func TestReadCSVScales(t *testing.T) {
	series, err := ReadCSV(strings.NewReader("series,date,duty,scale\n" +
		"mill,2026-06-01,6,\n" +
		"mill,2026-06-02,9,1.5\n" +
		"mill,2026-06-04,,0.25\n"))
	require.NoError(t, err)
	require.Equal(t, []duty.Day{
		{Type: config.Monday, Amount: 6, Seen: 1},
		{Type: config.Tuesday, Amount: 9, Seen: 1, Scale: 1.5},
		{Type: config.Wednesday},
		{Type: config.Thursday, Scale: 0.25},
	}, series[0].Days)
	require.Equal(t, []float32{0, 1.5, 0, 0.25}, series[0].Scales(0, 30))
	require.Equal(t, []float32{0, 0.25}, series[0].Scales(2, 30))
	require.Nil(t, series[0].Scales(0, 1), "all ordinary")
	series[0].AfterScales = []float32{1, 2}
	require.Equal(t, []float32{0.25, 1, 2}, series[0].Scales(3, 5))
}

// Part days, days without a row or a figure, and days that were watched but
// idle are three different things.
func TestReadCSVTellsMissingFromZero(t *testing.T) {
	series, err := ReadCSV(strings.NewReader("series,date,duty,seen\n" +
		"mill,2026-06-01,6,0.75\n" +
		"mill,2026-06-02,0,\n" +
		"mill,2026-06-04,5,0\n" +
		"mill,2026-06-05,,1\n" +
		"mill,2026-06-06,0.5,1e-1\n"))
	require.NoError(t, err)
	require.Equal(t, []duty.Day{
		{Type: config.Monday, Amount: 6, Seen: 0.75},
		{Type: config.Tuesday, Seen: 1},
		{Type: config.Wednesday},
		{Type: config.Thursday},
		{Type: config.Friday},
		{Type: config.Saturday, Amount: 0.5, Seen: 0.1},
	}, series[0].Days)
}

func TestReadCSVFaults(t *testing.T) {
	const head = "series,date,duty,daytype\n"
	const seen = "series,date,duty,seen\n"
	const scale = "series,date,duty,scale\n"
	for name, c := range map[string]struct{ text, want string }{
		"nothing":         {"", "line 1: empty file"},
		"no rows":         {head, "line 2: no rows"},
		"missing column":  {"series,day,duty\n", `line 1: no column "date" among series,day,duty`},
		"column twice":    {"series,date,duty,Duty\n", `line 1, column 4: "Duty" is there twice`},
		"no series":       {head + " ,2026-06-01,1,\n", "line 2, column 1: no series"},
		"bad date":        {head + "a,2026-06-01,1,\na,01.06.2026,1,\n", `line 3, column 2: date "01.06.2026"`},
		"no such date":    {head + "a,2026-02-30,1,\n", "line 2, column 2"},
		"text for duty":   {head + "a,2026-06-01,much,\n", `line 2, column 3: duty "much"`},
		"negative duty":   {head + "a,2026-06-01,-1,\n", "line 2, column 3"},
		"endless duty":    {head + "a,2026-06-01,Inf,\n", "line 2, column 3"},
		"comma as point":  {head + "a,2026-06-01,1,5,\n", "line 2, column"},
		"unknown daytype": {head + "a,2026-06-01,1,bank holiday\n", "line 2, column 4: day type"},
		"day twice":       {head + "a,2026-06-01,1,\nb,2026-06-01,1,\na,2026-06-01,2,\n", `line 4: series "a" has 2026-06-01 already on line 2`},
		"short row":       {head + "a,2026-06-01\n", "line 2, column"},
		"open quote":      {head + "\"a,2026-06-01,1,\n", "line "},
		"seen too much":   {seen + "a,2026-06-01,1,1.5\n", `line 2, column 4: seen "1.5"`},
		"seen in percent": {seen + "a,2026-06-01,1,50 %\n", "line 2, column 4: seen"},
		"seen by nobody":  {seen + "a,2026-06-01,1,NaN\n", "line 2, column 4: seen"},
		"no scale":        {scale + "a,2026-06-01,1,0\n", `line 2, column 4: scale "0"`},
		"scale in words":  {scale + "a,2026-06-01,1,double\n", "line 2, column 4: scale"},
		"scale too large": {scale + "a,2026-06-01,1,160\n", "line 2, column 4: scale"},
		"mistyped year":   {head + "a,2026-06-01,1,\na,9026-06-02,1,\n", "line 3: series \"a\" runs from"},
	} {
		t.Run(name, func(t *testing.T) {
			_, err := ReadCSV(strings.NewReader(c.text))
			require.ErrorContains(t, err, c.want)
		})
	}
}

func FuzzReadCSV(f *testing.F) {
	f.Add("series,date,duty\na,2026-06-01,1\n")
	f.Add("series,date,duty,daytype\na,2026-06-01,,shutdown\nb,2026-06-09,3e2,monday\n")
	f.Add("series,date,duty,seen\na,2026-06-01,2,0.5\na,2026-06-02,2,0\n")
	f.Add("date,duty,series\n\"2026-06-01\",0x1p-2,\"x\ny\"\n")
	f.Fuzz(func(t *testing.T, text string) {
		series, err := ReadCSV(strings.NewReader(text))
		if err != nil {
			require.Contains(t, err.Error(), "line ")
			return
		}
		for _, s := range series {
			require.NotEmpty(t, s.Name)
			require.NotEmpty(t, s.Days)
			for _, d := range s.Days {
				require.True(t, d.Amount >= 0 && d.Seen >= 0 && d.Seen <= 1 && (d.Seen > 0 || d.Amount == 0))
				require.Less(t, d.Type, config.DayTypes)
			}
		}
	})
}
