package main

import (
	"bytes"
	"cmp"
	"encoding/csv"
	"encoding/json"
	"flag"
	"fmt"
	"math"
	"math/big"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"testing"
	"time"

	pq "github.com/parquet-go/parquet-go"
	"github.com/stretchr/testify/require"

	"dwindle/config/civil"
	"dwindle/forecast/export"
)

var updatePage = flag.Bool("update", false, "write the page for analysts anew")

// fileOf names the files of a table.
func fileOf(t export.Table) string {
	if t.Period {
		return t.Name + "_by_week"
	}
	return t.Name
}

// exportAll writes every table in every format into a folder.
func exportAll(t *testing.T, file, dir string) {
	t.Helper()
	for _, table := range export.Tables {
		for _, format := range []string{"csv", "jsonl", "parquet"} {
			args := []string{"export", "-c", file, table.Name, "--at", exportedAt.Format(time.RFC3339), "-o", filepath.Join(dir, fileOf(table)+"."+format)}
			if table.Period {
				args = append(args, "--by", "week")
			}
			_, said, code := asOf(t.Context(), args...)
			require.Zero(t, code, "%v: %s", args, said)
		}
	}
}

// tally is how many values a column has and what they come to: lengths of texts,
// milliseconds, days since 1970, trues, or the numbers themselves.
type tally struct {
	count int
	exact big.Int
	sum   float64
}

// dictionaryHolds compares the dictionary with what is written: columns and their
// order, types, and that there is a value wherever there must be one. It returns
// what the columns of the CSV files come to.
func dictionaryHolds(t *testing.T, dir string) map[string]map[string]*tally {
	all := map[string]map[string]*tally{}
	for _, table := range export.Tables {
		name := fileOf(table)
		data, err := os.ReadFile(filepath.Join(dir, name+".csv"))
		require.NoError(t, err)
		rows, err := csv.NewReader(bytes.NewReader(data)).ReadAll()
		require.NoError(t, err, name)
		require.Greater(t, len(rows), 1, "%s has no rows, so nothing is shown", name)
		var names []string
		for _, c := range table.Columns {
			names = append(names, c.Name)
		}
		require.Equal(t, names, rows[0], name)
		sums := map[string]*tally{}
		for i, c := range table.Columns {
			sum := &tally{}
			sums[c.Name] = sum
			for _, row := range rows[1:] {
				if row[i] == "" {
					if c.Empty == "" {
						t.Fatalf("%s.%s: no value, where there always is one", name, c.Name)
					}
					continue
				}
				sum.count++
				if err := sum.add(c.Type, row[i]); err != nil {
					t.Fatalf("%s.%s: %v", name, c.Name, err)
				}
			}
			if sum.count == 0 {
				t.Logf("%s.%s: no value in the demo", name, c.Name)
			}
		}
		all[name] = sums

		lines, err := os.ReadFile(filepath.Join(dir, name+".jsonl"))
		require.NoError(t, err)
		n := 0
		for line := range bytes.Lines(lines) {
			n++
			jsonHolds(t, table, line, rows[n])
		}
		require.Equal(t, len(rows)-1, n, name)

		parquetHolds(t, table, filepath.Join(dir, name+".parquet"), len(rows)-1)
	}
	return all
}

func (s *tally) add(kind export.Type, cell string) error {
	switch kind {
	case export.TextType:
		s.exact.Add(&s.exact, big.NewInt(int64(len(cell))))
	case export.NumberType:
		f, err := strconv.ParseFloat(cell, 64)
		s.sum += f
		return err
	case export.CountType:
		n, err := strconv.ParseInt(cell, 10, 64)
		s.exact.Add(&s.exact, big.NewInt(n))
		return err
	case export.TruthType:
		if cell == "true" {
			s.exact.Add(&s.exact, big.NewInt(1))
		} else if cell != "false" {
			return fmt.Errorf("%q is neither true nor false", cell)
		}
	case export.InstantType:
		at, err := time.Parse("2006-01-02T15:04:05.000Z", cell)
		s.exact.Add(&s.exact, big.NewInt(at.UnixMilli()))
		return err
	case export.DateType:
		d, err := civil.Parse(cell)
		s.exact.Add(&s.exact, big.NewInt(int64(d)))
		return err
	case export.ListType:
		var list []string
		if err := json.Unmarshal([]byte(cell), &list); err != nil {
			return err
		}
		for _, text := range list {
			s.exact.Add(&s.exact, big.NewInt(int64(1+len(text))))
		}
	default:
		return fmt.Errorf("no type %q", kind)
	}
	return nil
}

// jsonHolds compares an object with the dictionary and with the same row as CSV.
func jsonHolds(t *testing.T, table export.Table, line []byte, row []string) {
	t.Helper()
	d := json.NewDecoder(bytes.NewReader(line))
	d.UseNumber()
	token, err := d.Token()
	require.NoError(t, err)
	require.Equal(t, json.Delim('{'), token)
	for i, c := range table.Columns {
		key, err := d.Token()
		if err != nil || key != c.Name {
			t.Fatalf("%v where the order of the columns has %s: %s", key, c.Name, line)
		}
		var v any
		require.NoError(t, d.Decode(&v))
		holds := false
		switch v := v.(type) {
		case nil:
			holds = row[i] == ""
		case json.Number:
			holds = (c.Type == export.NumberType || c.Type == export.CountType) && row[i] == v.String()
		case bool:
			holds = c.Type == export.TruthType && row[i] == strconv.FormatBool(v)
		case []any:
			holds = c.Type == export.ListType
		case string:
			holds = (c.Type == export.TextType || c.Type == export.InstantType || c.Type == export.DateType) && row[i] == v
		}
		if !holds {
			t.Fatalf("%s.%s (%s): %v in JSON where CSV has %q", table.Name, c.Name, c.Type, v, row[i])
		}
	}
	token, err = d.Token()
	require.NoError(t, err)
	require.Equal(t, json.Delim('}'), token)
}

// parquetHolds compares a file's schema with the dictionary.
func parquetHolds(t *testing.T, table export.Table, path string, rows int) {
	t.Helper()
	data, err := os.ReadFile(path)
	require.NoError(t, err)
	f, err := pq.OpenFile(bytes.NewReader(data), int64(len(data)))
	require.NoError(t, err)
	require.EqualValues(t, rows, f.NumRows())
	types := map[export.Type]string{
		export.TextType: "STRING", export.NumberType: "DOUBLE", export.CountType: "INT(64,true)", export.TruthType: "BOOLEAN",
		export.InstantType: "TIMESTAMP(isAdjustedToUTC=true,unit=MILLIS)", export.DateType: "DATE", export.ListType: "LIST",
	}
	fields := f.Schema().Fields()
	require.Len(t, fields, len(table.Columns))
	for i, c := range table.Columns {
		require.Equal(t, c.Name, fields[i].Name())
		require.Equal(t, types[c.Type], fields[i].Type().String(), "%s.%s", table.Name, c.Name)
		require.Equal(t, c.Empty != "", fields[i].Optional(), "%s.%s", table.Name, c.Name)
	}
	zone, ok := f.Lookup("zone")
	require.True(t, ok)
	require.Equal(t, "CET", zone)
}

// duckDB is the Python that has it, see deploy/install-test-tools.sh.
func duckDB(t *testing.T) string {
	t.Helper()
	version, err := os.ReadFile("../../deploy/tools/duckdb-version")
	require.NoError(t, err)
	cache, err := os.UserCacheDir()
	require.NoError(t, err)
	home := filepath.Join(cache, "dwindle", "duckdb-"+strings.TrimSpace(string(version)))
	if _, err := os.Stat(filepath.Join(home, "ready")); err != nil {
		missing := "no DuckDB in " + home + ": bash deploy/install-test-tools.sh installs it"
		if os.Getenv("CI") == "true" {
			t.Fatal(missing)
		}
		t.Skip(missing)
	}
	return filepath.Join(home, "bin", "python")
}

// duckDBReads lets another program read all files: it must find the types of the
// dictionary, and the sums of what was written.
func duckDBReads(t *testing.T, dir string, want map[string]map[string]*tally) {
	python := duckDB(t)
	out, said, code := asOf(t.Context(), "export", "--dictionary", "--json")
	require.Zero(t, code, said)
	dictionary := filepath.Join(t.TempDir(), "dictionary.json")
	require.NoError(t, os.WriteFile(dictionary, []byte(out), 0o600))
	cmd := exec.CommandContext(t.Context(), python, "testdata/tally.py", dictionary, dir)
	var errors bytes.Buffer
	cmd.Stderr = &errors
	text, err := cmd.Output()
	require.NoError(t, err, errors.String())
	type column struct {
		Count int
		Sum   json.Number
	}
	var found map[string]struct {
		Types               map[string]string
		Metadata            map[string]string
		CSV, JSONL, Parquet map[string]json.RawMessage
	}
	require.NoError(t, json.Unmarshal(text, &found))
	types := map[export.Type]string{
		export.TextType: "VARCHAR", export.NumberType: "DOUBLE", export.CountType: "BIGINT", export.TruthType: "BOOLEAN",
		export.InstantType: "TIMESTAMP WITH TIME ZONE", export.DateType: "DATE", export.ListType: "VARCHAR[]",
	}
	for _, table := range export.Tables {
		name := fileOf(table)
		got := found[name]
		require.Equal(t, table.Name, got.Metadata["what"])
		require.Equal(t, "riverside", got.Metadata["site"])
		require.Equal(t, "CET", got.Metadata["zone"])
		require.Equal(t, "2026-11-25T19:00:00Z", got.Metadata["at"])
		var described export.Table
		require.NoError(t, json.Unmarshal([]byte(got.Metadata["dictionary"]), &described))
		require.Equal(t, table.Columns, described.Columns)
		for _, c := range table.Columns {
			require.Equal(t, types[c.Type], got.Types[c.Name], "%s.%s", name, c.Name)
			sum := want[name][c.Name]
			for form, columns := range map[string]map[string]json.RawMessage{"csv": got.CSV, "jsonl": got.JSONL, "parquet": got.Parquet} {
				var x column
				require.NoError(t, json.Unmarshal(columns[c.Name], &x))
				require.Equal(t, sum.count, x.Count, "values of %s.%s in %s", name, c.Name, form)
				switch {
				case sum.count == 0:
				case c.Type == export.NumberType:
					f, err := x.Sum.Float64()
					require.NoError(t, err)
					// Nine digits are written as text; sums cancel nothing here.
					require.InDelta(t, sum.sum, f, 1e-8*math.Max(1, math.Abs(sum.sum)), "sum of %s.%s in %s", name, c.Name, form)
				default:
					require.Equal(t, sum.exact.String(), x.Sum.String(), "sum of %s.%s in %s", name, c.Name, form)
				}
			}
		}
	}
}

// page is where analysts read what they get.
const page = "../../deploy/ANALYST.md"

// pageHolds runs the examples of the page, in order, and compares what comes out
// with what stands there; and the dictionary with its part of the page.
func pageHolds(t *testing.T, file string) {
	text, err := os.ReadFile(page)
	require.NoError(t, err)
	was := string(text)
	is := between(t, was, "<!-- dictionary -->\n", "<!-- end of dictionary -->", func(string) string { return dictionaryPage() })
	dir := t.TempDir()
	var scripts []string
	// What is said of InfluxDB is run where there is one.
	examples, rest, ok := strings.Cut(is, "<!-- flux -->")
	require.True(t, ok)
	parts := strings.Split(examples, "```")
	require.Equal(t, 1, len(parts)%2, "an unfinished block")
	for i := 1; i < len(parts); i += 2 {
		if lines, ok := strings.CutPrefix(parts[i], "sh\n"); ok {
			for line := range strings.Lines(lines) {
				words := strings.Fields(line)
				require.Equal(t, "dwindle", words[0], line)
				for k, w := range words {
					if w == "site.yaml" {
						words[k] = file
					} else if words[k-min(k, 1)] == "-o" {
						words[k] = filepath.Join(dir, w)
					}
				}
				if !slices.Contains(words, "--at") {
					words = append(words, "--at", exportedAt.Format(time.RFC3339))
				}
				_, said, code := asOf(t.Context(), words[1:]...)
				require.Zero(t, code, "%s: %s", line, said)
			}
		}
		if script, ok := strings.CutPrefix(parts[i], "python\n"); ok {
			scripts = append(scripts, script)
		}
	}
	outs := python(t, dir, scripts)
	for i := 1; i+2 < len(parts); i += 2 {
		if strings.HasPrefix(parts[i], "python\n") {
			require.True(t, strings.HasPrefix(parts[i+2], "text\n"), "an example without its output")
			parts[i+2] = "text\n" + outs[0]
			outs = outs[1:]
		}
	}
	is = strings.Join(parts, "```") + "<!-- flux -->" + rest
	if *updatePage {
		require.NoError(t, os.WriteFile(page, []byte(is), 0o644))
		was = is
	}
	require.Equal(t, was, is, "-update writes %s anew", page)
}

// python runs scripts in one session and gives what each has printed.
func python(t *testing.T, dir string, scripts []string) (outs []string) {
	const session = `
import contextlib, io, json, sys
names, outs = {}, []
for script in json.load(sys.stdin):
    out = io.StringIO()
    with contextlib.redirect_stdout(out):
        exec(script, names)
    outs.append("\n".join(line.rstrip() for line in out.getvalue().rstrip().split("\n")) + "\n")
json.dump(outs, sys.stdout)
`
	in, err := json.Marshal(scripts)
	require.NoError(t, err)
	cmd := exec.CommandContext(t.Context(), duckDB(t), "-c", session)
	cmd.Dir, cmd.Stdin = dir, bytes.NewReader(in)
	cmd.Env = append(os.Environ(), "PYTHONIOENCODING=utf-8")
	var errors bytes.Buffer
	cmd.Stderr = &errors
	out, err := cmd.Output()
	require.NoError(t, err, errors.String())
	require.NoError(t, json.Unmarshal(out, &outs))
	require.Len(t, outs, len(scripts))
	return outs
}

// between replaces a part of a text that stands between two marks.
func between(t *testing.T, text, first, last string, by func(string) string) string {
	t.Helper()
	before, rest, ok := strings.Cut(text, first)
	require.True(t, ok, first)
	part, after, ok := strings.Cut(rest, last)
	require.True(t, ok, last)
	return before + first + by(part) + last + after
}

// dictionaryPage is the dictionary as a part of the page.
func dictionaryPage() string {
	var b strings.Builder
	cell := func(s string) string { return strings.ReplaceAll(s, "|", `\|`) }
	for _, t := range export.Tables {
		fmt.Fprintf(&b, "\n### %s\n\nOne row: %s. Rows are in order %s. Options: %s.\n\n", cell(title(t)), t.Row, t.Order, t.Options)
		b.WriteString("| column | type | unit | meaning | empty when |\n|---|---|---|---|---|\n")
		for _, c := range t.Columns {
			fmt.Fprintf(&b, "| `%s` | %s | %s | %s | %s |\n", c.Name, c.Type, c.Unit, cell(c.Meaning), cell(cmp.Or(c.Empty, "never")))
		}
	}
	b.WriteString("\n### Quantities\n\n| quantity | unit of its value | meaning |\n|---|---|---|\n")
	for _, w := range export.Quantities {
		fmt.Fprintf(&b, "| `%s` | %s | %s |\n", w.Word, w.Unit, w.Meaning)
	}
	b.WriteString("\n### Flags\n\n| word | meaning |\n|---|---|\n")
	for _, w := range export.FlagWords {
		fmt.Fprintf(&b, "| `%s` | %s |\n", w.Word, w.Meaning)
	}
	b.WriteString("\n### Types\n\n| type | CSV | JSON Lines | Parquet | |\n|---|---|---|---|---|\n")
	for _, x := range export.Types {
		fmt.Fprintf(&b, "| %s | %s | %s | %s | %s |\n", x.Type, x.CSV, x.JSONLines, x.Parquet, x.Meaning)
	}
	b.WriteByte('\n')
	return b.String()
}
