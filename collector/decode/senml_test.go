package decode

import (
	"encoding/json"
	"fmt"
	"math"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"
)

// senmlVector is a pack with what it resolves to, from a published text.
type senmlVector struct {
	Source   string            `json:"source"`
	Note     string            `json:"note"`
	Pack     json.RawMessage   `json:"pack"`
	Resolved []json.RawMessage `json:"resolved"`
	Refused  string            `json:"refused"` // the reason
}

// encode writes a resolved record as SenML.
func (r senmlRecord) encode(t require.TestingT) map[string]any {
	out := map[string]any{"n": r.name, "t": r.t}
	if r.unit != "" {
		out["u"] = r.unit
	}
	if r.label != senmlLabels {
		var v any
		require.NoError(t, json.Unmarshal(r.value.raw, &v))
		out[senmlLabel[r.label]] = v
	}
	if r.sum != "" {
		out["s"] = json.Number(r.sum)
	}
	if r.update != 0 {
		out["ut"] = r.update
	}
	return out
}

// The published examples, each with its source in the file.
func TestSenMLExamples(t *testing.T) {
	files, err := filepath.Glob("testdata/senml/*.json")
	require.NoError(t, err)
	require.GreaterOrEqual(t, len(files), 19)
	for _, file := range files {
		t.Run(strings.TrimSuffix(filepath.Base(file), ".json"), func(t *testing.T) {
			text, err := os.ReadFile(file)
			require.NoError(t, err)
			var c senmlVector
			require.NoError(t, json.Unmarshal(text, &c))
			require.Contains(t, c.Source, "RFC ")
			records, kept := resolveSenML(c.Pack, received)
			if c.Refused != "" {
				require.NotNil(t, kept)
				require.Equal(t, c.Refused, kept.Reason.String(), kept.Detail)
				return
			}
			require.Nil(t, kept)
			require.Len(t, records, len(c.Resolved))
			for i, want := range c.Resolved {
				var fields map[string]any
				require.NoError(t, json.Unmarshal(want, &fields))
				got := records[i].encode(t)
				if fields["t"] == "now" {
					require.True(t, records[i].relative, i)
					fields["t"] = float64(received.Unix())
				}
				// Bases are added as IEEE doubles: to a microsecond.
				require.InDelta(t, fields["t"], got["t"], 1e-6, i)
				delete(fields, "t")
				delete(got, "t")
				require.Equal(t, fields, got, i)
			}
		})
	}
}

func senml(pack string) ([]item, *Kept) {
	return readSenML(input{payload: []byte(pack), received: received})
}

func TestSenMLItems(t *testing.T) {
	// 1792999200 is 07:20:00 on the day of receipt, which is the receive time.
	for name, c := range map[string]struct {
		pack string
		want []string
	}{
		"a dispenser's pack": {
			`[{"bn":"riverside/lub-7/","bt":1792999140,"bu":"count"},{"n":"pulses","v":15234},{"n":"run","u":"s","v":45210600},{"n":"level","u":"/100","v":63.5},{"n":"out","u":"l","v":1.523},{"n":"running","vb":true,"ut":60}]`,
			[]string{"riverside/lub-7/pulses=15234 count @07:19:00!", "riverside/lub-7/run=45210600 s @07:19:00!", "riverside/lub-7/level=63.5 /100 @07:19:00!", "riverside/lub-7/out=1.523 l @07:19:00!", "riverside/lub-7/running=true @07:19:00! every 60"},
		},
		"buffered, newest first": {
			`[{"bn":"lub-7/","bt":1792999140,"n":"pulses","u":"count","v":90},{"n":"pulses","t":-60,"v":84},{"n":"pulses","t":-120,"v":80}]`,
			[]string{"lub-7/pulses=80 @07:17:00!", "lub-7/pulses=84 @07:18:00!", "lub-7/pulses=90 count @07:19:00!"},
		},
		"now": {`[{"n":"a","v":1}]`, []string{"a=1 @-"}},
		"relative to now: no time from the device": {`[{"n":"a","v":1,"t":-10},{"n":"a","v":2}]`, []string{"a=1 @07:19:50", "a=2 @-"}},
		"fractions are kept to the ms":             {`[{"n":"a","v":1,"t":1792999140.0626}]`, []string{"a=1 @07:19:00.063!"}},
		"an uptime sent as time":                   {`[{"n":"a","v":1,"t":188}]`, []string{"a=1 @07:20:00"}},
		"just relative":                            {`[{"n":"a","v":1,"t":268435455}]`, []string{"a=1 @07:20:00"}},
		"just absolute, 1978":                      {`[{"n":"a","v":1,"t":268435456}]`, []string{"a=1 @07:20:00"}},
		"milliseconds":                             {`[{"n":"a","v":1,"t":1792999140000}]`, []string{"a=1 @07:20:00"}},
		"four days ahead":                          {`[{"n":"a","v":1,"t":1793344800}]`, []string{"a=1 @07:20:00"}},
		"percent is a ratio by its old name":       {`[{"n":"a","u":"%","v":0.635}]`, []string{"a=0.635 / @-"}},
		"a base value":                             {`[{"bv":15000,"n":"a","v":234},{"n":"a","v":-1},{"n":"b","v":0.5},{"n":"c","vb":true}]`, []string{"a=15234 @-", "a=14999 @-", "b=15000.5 @-", "c=true @-"}},
		"whole numbers beyond 2^53 stay exact":     {`[{"bv":9007199254740993,"n":"a","v":2},{"bn":"x","bv":0,"v":18446744073709551615}]`, []string{"a=9007199254740995 @-", "x=1.8446744073709552e+19 @-"}},
		"a number without a base stays as sent":    {`[{"n":"a","v":18446744073709551615},{"n":"b","v":1.10}]`, []string{"a=18446744073709551615 @-", "b=1.10 @-"}},
		"the integral of a state is a time":        {`[{"n":"run","u":"/","v":1,"s":45210600}]`, []string{"run=1 / @-", "run#s=45210600 s @-"}},
		"the integral of a rate is a volume":       {`[{"n":"a","u":"m3/s","s":1.5e-6},{"n":"b","u":"l/s","s":2},{"n":"c","u":"1/s","s":3},{"n":"d","u":"W","s":4},{"n":"e","s":5}]`, []string{"a#s=1.5e-6 m3 @-", "b#s=2 l @-", "c#s=3 count @-", "d#s=4 W*s @-", "e#s=5 @-"}},
		"a base sum":                               {`[{"bs":100},{"n":"a","u":"1/s","s":5},{"n":"a","u":"1/s"}]`, []string{"a#s=105 count @-", "a#s=100 count @-"}},
		"missing values":                           {`[{"n":"a","v":null},{"n":"b","v":NaN},{"n":"c","vb":null}]`, []string{"a=null @-", "b=NaN @-", "c=null @-"}},
		"a number as text":                         {`[{"n":"a","v":"5"},{"n":"b","v":"5","bv":1}]`, []string{`a="5" @-`, "b=6 @-"}},
		"unknown labels":                           {`[{"n":"a","v":1,"rssi":-70,"N":"b"}]`, []string{"a=1 @-"}},
		"data, padded or not":                      {`[{"n":"a","vd":"aGkgCg"},{"n":"b","vd":"aGkgCg=="}]`, []string{`a="aGkgCg" @-`, `b="aGkgCg==" @-`}},
		"a byte order mark":                        {"\xEF\xBB\xBF [{\"n\":\"a\",\"v\":1}] ", []string{"a=1 @-"}},
		"an interval that says nothing":            {`[{"n":"a","v":1,"ut":0},{"n":"b","v":1,"ut":-5}]`, []string{"a=1 @-", "b=1 @-"}},
		"all name signs":                           {`[{"n":"0-:._/z","v":1}]`, []string{"0-:._/z=1 @-"}},
	} {
		t.Run(name, func(t *testing.T) {
			items, kept := senml(c.pack)
			require.Nil(t, kept)
			require.Equal(t, c.want, itemLines(items))
		})
	}
}

func TestSenMLTimesThatCannotBeSayWhy(t *testing.T) {
	for pack, hint := range map[string]string{
		`[{"n":"a","v":1,"t":188}]`:           "an uptime must not be sent as time",
		`[{"n":"a","v":1,"t":268435456}]`:     "not set (time before 2020)",
		`[{"n":"a","v":1,"t":1792999140000}]`: "not in seconds",
		`[{"n":"a","v":1,"t":1793344800}]`:    "clock is ahead by 96h0m0s",
		`[{"n":"a","v":1,"t":-1e9}]`:          "not set (time before 2020)",
	} {
		items, kept := senml(pack)
		require.Nil(t, kept)
		require.Contains(t, items[0].when.hint, hint, pack)
		require.NotEmpty(t, items[0].when.raw)
		require.Equal(t, received, items[0].when.at)
	}
}

func TestSenMLRefusesThePack(t *testing.T) {
	for pack, c := range map[string]struct {
		reason Reason
		detail string
	}{
		`{"n":"a","v":1}`:                                   {BadForm, "a list of records"},
		`[]`:                                                {NoValue, "without a value"},
		`[{"bn":"a"}]`:                                      {NoValue, "without a value"},
		`[1]`:                                               {BadForm, "record 1: a record is an object"},
		`[{"n":"a","v":1},{"n":"b"}]`:                       {NoValue, "record 2: none of v, vs, vb, vd and s"},
		`[{"n":"a","v":1,"vb":true}]`:                       {BadForm, "v and vb in one record"},
		`[{"n":"a","vs":"x","vd":"eA"}]`:                    {BadForm, "vs and vd in one record"},
		`[{"n":"a","v":1,"v":2}]`:                           {DuplicateKey, "v: sent twice"},
		`[{"n":"a","n":"b","v":2}]`:                         {DuplicateKey, "n: sent twice"},
		`[{"n":"a","v":1,"must_":0}]`:                       {BadForm, `label "must_" must be understood`},
		`[{"n":"a","v":1},{"must_":0}]`:                     {BadForm, "record 2"},
		`[{"v":1}]`:                                         {BadForm, `name "" must begin`},
		`[{"n":"-a","v":1}]`:                                {BadForm, `name "-a" must begin`},
		`[{"n":"a b","v":1}]`:                               {BadForm, "letters, digits"},
		`[{"n":"ä","v":1}]`:                                 {BadForm, "letters, digits"},
		`[{"n":"a#s","v":1}]`:                               {BadForm, "letters, digits"},
		`[{"n":5,"v":1}]`:                                   {NotText, "n: text"},
		`[{"bn":5,"v":1}]`:                                  {NotText, "bn: text"},
		`[{"n":"a","u":5,"v":1}]`:                           {NotText, "u: "},
		`[{"n":"a","v":true}]`:                              {NotANumber, "v: "},
		`[{"n":"a","v":"12 h"}]`:                            {NotANumber, "v: "},
		`[{"n":"a","v":[1]}]`:                               {NotANumber, "v: "},
		`[{"n":"a","vb":1}]`:                                {NotABoolean, "vb: "},
		`[{"n":"a","vs":1}]`:                                {NotText, "vs: "},
		`[{"n":"a","vd":"a+/="}]`:                           {BadForm, "vd: "},
		`[{"n":"a","vd":1}]`:                                {BadForm, "vd: "},
		`[{"n":"a","v":1,"t":"x"}]`:                         {NotANumber, "t: "},
		`[{"n":"a","v":1,"t":1e999}]`:                       {Overflow, "t: "},
		`[{"n":"a","v":1,"bt":null}]`:                       {NotANumber, "bt: "},
		`[{"n":"a","v":1,"ut":true}]`:                       {NotANumber, "ut: "},
		`[{"n":"a","bv":1e308,"v":1e308}]`:                  {Overflow, "bv and v"},
		`[{"n":"a","bv":9223372036854775807,"v":1}]`:        {Overflow, "bv and v"},
		`[{"n":"a","bv":-9223372036854775807,"v":-2}]`:      {Overflow, "bv and v"},
		`[{"n":"a","bs":1e308,"s":1e308}]`:                  {Overflow, "bs and s"},
		`[{"n":"a","bver":0,"v":1}]`:                        {BadForm, "bver: "},
		`[{"n":"a","bver":"10","v":1}]`:                     {BadForm, "bver: "},
		`[{"n":"a","bver":26.5,"v":1}]`:                     {BadForm, "bver: "},
		`[{"n":"a","v":1},{"n":"b","bver":26,"v":1}]`:       {BadForm, "the same version"},
		`[{"bver":26,"n":"a","v":1},{"bver":10,"v":1}]`:     {BadForm, "the same version"},
		`[{"n":"a","v":1}] x`:                               {TrailingData, ""},
		`[{"n":"a","v":1}`:                                  {NotJSON, "cut off"},
		"[{\"n\":\"\xff\",\"v\":1}]":                        {NotUTF8, ""},
		"\xEF\xBB\xBF":                                      {Empty, ""},
		"\x00[\x00{":                                        {NotUTF8, "UTF-16"},
		strings.Repeat("[", 40) + strings.Repeat("]", 40):   {TooComplex, "nested"},
		`[{"bn":"` + strings.Repeat("a", 513) + `","v":1}]`: {NotText, "bn: "},
		`[{"bn":"` + strings.Repeat("a", 512) + `","n":"b","v":1}]`:    {NotText, "n: "},
		`[` + strings.Repeat(`{"n":"a","v":1},`, 4000) + `{"bn":"a"}]`: {TooComplex, "elements"},
	} {
		items, kept := senml(pack)
		require.Empty(t, items, clip(pack))
		require.NotNil(t, kept, clip(pack))
		require.Equal(t, c.reason.String(), kept.Reason.String(), "%s: %s", clip(pack), kept.Detail)
		require.Contains(t, kept.Detail, c.detail)
	}
}

// RFC 9100 section 2: a version is the set of its features.
func TestSenMLVersionsAreSetsOfFeatures(t *testing.T) {
	for version := 1; version < 256; version++ {
		_, kept := senml(fmt.Sprintf(`[{"bver":%d,"n":"a","v":1}]`, version))
		want := version < 10 || version == 10 || version == 26
		require.Equal(t, want, kept == nil, "version %d", version)
	}
}

func TestSenMLIsRecognisedByTheNameOfItsFirstRecord(t *testing.T) {
	for payload, want := range map[string]bool{
		`[{"n":"a","v":1}]`: true, "\xEF\xBB\xBF [ {\"bn\":\"a\"},{\"v\":1}]": true, `[{"bn":"a","x_":1}]`: true, `[{"v":1,"n":"a"}]`: true,
		`[{"t":-10,"v":7},{"t":-30,"v":5}]`: false, `[]`: false, `[1]`: false, `{"n":"a","v":1}`: false, `[{"n":5,"v":1}]`: false,
		`[{"n":"a","value":1}]`: false, `[{"specversion":"1.0"}]`: false, `[{"n":"a"`: false, ``: false, `5`: false, `[`: false,
	} {
		require.Equal(t, want, likeSenML("silo/x", []byte(payload)), payload)
	}
}

// record draws a record that is resolved: no base fields, an absolute time.
func drawRecord(t *rapid.T) senmlRecord {
	r := senmlRecord{
		name:  rapid.StringMatching(`[A-Za-z0-9][-A-Za-z0-9:./_]{0,20}`).Draw(t, "name"),
		unit:  rapid.SampledFrom([]string{"", "s", "count", "/", "%", "Cel", "m3/s", "h"}).Draw(t, "unit"),
		t:     float64(rapid.Int64Range(1577836800000, received.UnixMilli()).Draw(t, "t")) / 1000,
		label: rapid.SampledFrom([]int{senmlValue, senmlText, senmlBool, senmlData, senmlLabels}).Draw(t, "label"),
	}
	number := func(name string) string {
		if rapid.Bool().Draw(t, name+" whole") {
			return fmt.Sprint(rapid.Int64Range(-1<<53, 1<<53).Draw(t, name))
		}
		x := rapid.Float64Range(-1e12, 1e12).Draw(t, name)
		text, _ := json.Marshal(x)
		return string(text)
	}
	switch r.label {
	case senmlValue:
		r.value = value{kind: numberValue, raw: []byte(number("v"))}
	case senmlText:
		text := rapid.String().Draw(t, "vs")
		raw, _ := json.Marshal(text)
		_ = json.Unmarshal(raw, &text)
		r.value = value{kind: textValue, raw: raw, text: text}
	case senmlBool:
		r.value = boolean(rapid.Bool().Draw(t, "vb"))
	case senmlData:
		r.value = value{kind: textValue, raw: []byte(`"aGkgCg"`), text: "aGkgCg"}
	}
	if r.label == senmlLabels || rapid.Bool().Draw(t, "has sum") {
		r.sum = number("s")
	}
	r.update = float64(rapid.IntRange(0, 90000).Draw(t, "ut"))
	return r
}

// write puts records into a pack as they are: resolved.
func writeSenML(t require.TestingT, records []senmlRecord) []byte {
	list := make([]map[string]any, len(records))
	for i, r := range records {
		list[i] = r.encode(t)
		if r.label != senmlLabels {
			list[i][senmlLabel[r.label]] = json.RawMessage(r.value.raw)
		}
		list[i]["t"] = json.Number(fmt.Sprintf("%.3f", r.t))
	}
	out, err := json.Marshal(list)
	require.NoError(t, err)
	return out
}

func byTime(records []senmlRecord) []senmlRecord {
	out := slices.Clone(records)
	slices.SortStableFunc(out, func(a, b senmlRecord) int { return int(math.Copysign(1, a.t-b.t)) * btoi(a.t != b.t) })
	return out
}

func btoi(b bool) int {
	if b {
		return 1
	}
	return 0
}

func TestSenMLResolvedRecordsResolveToThemselves(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		records := rapid.SliceOfN(rapid.Custom(drawRecord), 1, 12).Draw(t, "records")
		got, kept := resolveSenML(writeSenML(t, records), received)
		require.Nil(t, kept)
		require.Equal(t, byTime(records), got)
	})
}

// Bases are only a shorter way of writing: a pack with them resolves to the
// records that were written.
func TestSenMLBasesAreAShorterWayOfWriting(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		base := rapid.StringMatching(`[a-z][a-z/:.]{0,8}`).Draw(t, "bn")
		bt := rapid.Int64Range(1600000000, 1700000000).Draw(t, "bt")
		bv := rapid.Int64Range(-1e9, 1e9).Draw(t, "bv")
		n := rapid.IntRange(1, 8).Draw(t, "n")
		var short, long []map[string]any
		for i := range n {
			name := rapid.StringMatching(`[a-z0-9]{0,5}`).Draw(t, "n")
			at, v := rapid.Int64Range(-1000, 1000).Draw(t, "t"), rapid.Int64Range(-1e6, 1e6).Draw(t, "v")
			s, l := map[string]any{"n": name, "t": at, "v": v}, map[string]any{"n": base + name, "t": bt + at, "v": bv + v, "u": "count"}
			if rapid.Bool().Draw(t, "own unit") {
				s["u"], l["u"] = "s", "s"
			}
			if i == 0 {
				s["bn"], s["bt"], s["bv"], s["bu"] = base, bt, bv, "count"
			}
			short, long = append(short, s), append(long, l)
		}
		a, err := json.Marshal(short)
		require.NoError(t, err)
		b, err := json.Marshal(long)
		require.NoError(t, err)
		got, kept := resolveSenML(a, received)
		require.Nil(t, kept)
		want, kept := resolveSenML(b, received)
		require.Nil(t, kept)
		require.Equal(t, want, got)
	})
}

// The order in which resolved records stand in a pack says nothing, but for
// those of one time, which stay as they were.
func TestSenMLOrderOfRecordsSaysNothing(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		records := rapid.SliceOfNDistinct(rapid.Custom(drawRecord), 2, 10, func(r senmlRecord) float64 { return r.t }).Draw(t, "records")
		shuffled := rapid.Permutation(records).Draw(t, "shuffled")
		a, kept := readSenML(input{payload: writeSenML(t, records), received: received})
		require.Nil(t, kept)
		b, kept := readSenML(input{payload: writeSenML(t, shuffled), received: received})
		require.Nil(t, kept)
		require.Equal(t, a, b)
	})
}
