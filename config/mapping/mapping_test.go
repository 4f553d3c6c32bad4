package mapping_test

import (
	"regexp"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"dwindle/config/mapping"
	"dwindle/config/unit"
)

func TestTemplates(t *testing.T) {
	for _, c := range []struct {
		template, topic string
		want            mapping.Vars // nil: no match
		filter          string
	}{
		{"silo/{area}/{machine}/plc/{channel}", "silo/east/belt-1/plc/cnt", mapping.Vars{"area": "east", "machine": "belt-1", "channel": "cnt"}, "silo/+/+/plc/+"},
		{"silo/{area}/{machine}/plc/{channel}", "silo/east/belt-1/plc", nil, "silo/+/+/plc/+"},
		{"silo/{area}/{machine}/plc/{channel}", "silo/east/belt-1/plc/cnt/x", nil, "silo/+/+/plc/+"},
		{"silo/{area}/{machine}", "silo//belt-1", nil, "silo/+/+"},
		{"a/+/b", "a//b", mapping.Vars{}, "a/+/b"},
		{"a/#", "a", mapping.Vars{}, "a/#"},
		{"a/#", "a/b/c", mapping.Vars{}, "a/#"},
		{"a/#", "ab", nil, "a/#"},
		{"{site}/{device}", "riverside/lub-7", mapping.Vars{"device": "lub-7"}, "riverside/+"},
		{"{site}/{device}", "elsewhere/lub-7", nil, "riverside/+"},
		{"plc_{machine}_{channel}/v", "plc_belt-1_cnt/v", mapping.Vars{"machine": "belt-1", "channel": "cnt"}, "+/v"},
		{"plc_{machine}/v", "plc_/v", nil, "+/v"},
		{"lube/Presse 7//{device}", "lube/Presse 7//h", mapping.Vars{"device": "h"}, "lube/Presse 7//+"},
		{"+/{device}", "$SYS/uptime", nil, "+/+"},
	} {
		t.Run(c.template+" "+c.topic, func(t *testing.T) {
			template, err := mapping.ParseTemplate(c.template, "riverside")
			require.NoError(t, err)
			vars, ok := template.Match(c.topic)
			require.Equal(t, c.want != nil, ok)
			if ok {
				require.Equal(t, c.want, vars)
			}
			require.Equal(t, c.filter, template.Filter())
			if ok {
				require.True(t, mapping.Covers(c.filter, c.topic))
			}
		})
	}
	for text, part := range map[string]string{
		"": "no topic", "a/#/b": "# the last one", "a/b+": "whole level", "{x}/a": "{x} is none of", "{area}/{area}": "stands twice",
		"{area}{machine}": "nothing parts", "a/{machine": "without its pair", "$SYS/#": "broker's own", "a/}{": "without its pair", strings.Repeat("a/", 300): "512",
	} {
		_, err := mapping.ParseTemplate(text, "s")
		require.ErrorContains(t, err, part, text)
	}
}

func TestCovers(t *testing.T) {
	for _, c := range []struct {
		filter, other string
		want          bool
	}{
		{"a/#", "a/b", true}, {"a/#", "a", true}, {"a/#", "a/+/x", true}, {"a/#", "a/#", true}, {"a/+", "a/#", false}, {"a/+", "a/b", true},
		{"a/+", "a", false}, {"a/+", "a/b/c", false}, {"a/+/x", "a/b/x", true}, {"a/+/x", "a/b/y", false}, {"a/b", "a/+", false}, {"#", "a", true},
		{"a", "a/b", false}, {"+/b", "a/b", true},
	} {
		require.Equal(t, c.want, mapping.Covers(c.filter, c.other), "%s %s", c.filter, c.other)
	}
}

// What covers a filter fits every topic that the filter fits.
func TestCoversIsTrueOfTopics(t *testing.T) {
	level := rapid.SampledFrom([]string{"a", "b", "+", ""})
	rapid.Check(t, func(t *rapid.T) {
		draw := func(name string) string {
			f := strings.Join(rapid.SliceOfN(level, 1, 4).Draw(t, name), "/")
			if rapid.Bool().Draw(t, name+" rest") {
				f += "/#"
			}
			return f
		}
		f, g := draw("f"), draw("g")
		topic := strings.Join(rapid.SliceOfN(rapid.SampledFrom([]string{"a", "b", ""}), 1, 5).Draw(t, "topic"), "/")
		if mapping.Covers(f, g) && mapping.Covers(g, topic) {
			require.True(t, mapping.Covers(f, topic), "%s covers %s, which takes %s", f, g, topic)
		}
	})
}

func TestCanonicalPaths(t *testing.T) {
	for path, want := range map[string]string{
		"d.cnt[0].v": "d.cnt[0].v", "$.d": "d", "$": "", ".": "", "": "", `["d"]["a.b"][3]`: `d["a.b"][3]`, "$[2].x": "[2].x", "Öl.h": "Öl.h", `[""]`: `[""]`, "[007]": "[7]", "a b": "a b",
	} {
		got, err := mapping.CanonicalPath(path)
		require.NoError(t, err, path)
		require.Equal(t, want, got, path)
		again, err := mapping.CanonicalPath(got)
		require.NoError(t, err)
		require.Equal(t, got, again)
	}
	for _, path := range []string{"a..b", "a[", "a[x]", "a[-1]", "a[0", "[0]x", `["a`, `["a"`, "a.", "a]", `a"b`, "a[99999999999]", ".a"} {
		_, err := mapping.CanonicalPath(path)
		require.Error(t, err, path)
	}
}

// A name that JSON can hold becomes a path that is read back as that name.
func TestMembersAndElementsArePaths(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		var path []byte
		for i := range rapid.IntRange(1, 4).Draw(t, "depth") {
			if rapid.Bool().Draw(t, "member") {
				path = mapping.AppendMember(path, rapid.String().Draw(t, "name"))
			} else {
				path = mapping.AppendElement(path, i)
			}
		}
		got, err := mapping.CanonicalPath(string(path))
		if strings.HasPrefix(string(path), "$") {
			return // a first member called $ needs brackets in a mapping
		}
		require.NoError(t, err, "%s", path)
		require.Equal(t, string(path), got)
	})
}

func TestFieldsHaveUnitsOfTheList(t *testing.T) {
	for _, f := range mapping.Fields {
		if f.Type == mapping.Number || f.Type == mapping.Count {
			u, ok := unit.Find(f.Unit)
			require.True(t, ok, f.Name)
			require.NotEqual(t, unit.NoDimension, u.Dimension)
		} else {
			require.Empty(t, f.Unit, f.Name)
		}
	}
}

// A pattern is the regular expression that one would write for it.
func TestPatternsAreRegularExpressions(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		literal := rapid.StringMatching(`[ab/.]{0,2}`)
		text, expr := "", "^(?s:"
		for i, name := range mapping.Names[1 : rapid.IntRange(1, 4).Draw(t, "names")+1] {
			l := literal.Draw(t, "literal")
			if i > 0 && l == "" {
				l = "a"
			}
			text += l + "{" + name + "}"
			expr += regexp.QuoteMeta(l) + "([^/]+?)"
		}
		l := literal.Draw(t, "literal")
		text, expr = text+l, expr+regexp.QuoteMeta(l)+")$"
		p, err := mapping.ParsePattern(text, "")
		require.NoError(t, err)
		sent := rapid.StringMatching(`[ab/.x]{0,10}`).Draw(t, "sent")
		vars := mapping.Vars{}
		found := regexp.MustCompile(expr).FindStringSubmatch(sent)
		require.Equal(t, found != nil, p.Match(sent, vars), "%s %s", text, sent)
		for i, name := range p.Names() {
			if found != nil {
				require.Equal(t, found[i+1], vars[name], "%s %s", text, sent)
			}
		}
		if found == nil {
			require.Empty(t, vars)
		}
	})
}

func TestVarsFillTexts(t *testing.T) {
	vars := mapping.Vars{"area": "east", "machine": "belt-1"}
	for text, want := range map[string]string{"belt-2": "belt-2", "{machine}": "belt-1", "{area}-{machine}": "east-belt-1", "x{area}y": "xeasty", "": "", "{": "{", "a}b": "a}b"} {
		got, ok := vars.Fill(text)
		require.True(t, ok, text)
		require.Equal(t, want, got)
	}
	_, ok := vars.Fill("{area}-{device}")
	require.False(t, ok)
}
