package text_test

import (
	"bytes"
	"strings"
	"testing"
	"unicode/utf8"

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"dwindle/cmd/internal/text"
)

func TestTableAlignsAndWraps(t *testing.T) {
	table := text.NewTable(
		text.Column{Head: "point"},
		text.Column{Head: "left", Right: true},
		text.Column{Head: "why", Wrap: true},
	)
	table.Row("be-01-head", "7 %", "no reservoir change recorded yet")
	table.Row("cv-2", "100 %", "")
	var out bytes.Buffer
	require.NoError(t, table.Write(&out, 40))
	require.Equal(t, strings.Join([]string{
		"point        left  why",
		"----------  -----  ---------------------",
		"be-01-head    7 %  no reservoir change",
		"                   recorded yet",
		"cv-2        100 %",
		"",
	}, "\n"), out.String())
}

func TestNotesStandUnderTheirRow(t *testing.T) {
	table := text.NewTable(text.Column{Head: "point"}, text.Column{Head: "left", Right: true})
	table.Note("nowhere to stand")
	table.Row("be-01", "7 %")
	table.Note("bucket elevator 1, head bearing")
	table.Row("be-02", "9 %")
	var out bytes.Buffer
	require.NoError(t, table.Write(&out, 24))
	require.Equal(t, strings.Join([]string{
		"point  left", "-----  ----",
		"be-01   7 %", "    bucket elevator 1,", "    head bearing",
		"be-02   9 %", "",
	}, "\n"), out.String())
}

func TestWrapKeepsEveryWordAndTheWidth(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		s := rapid.StringMatching(`[a-zä ]{0,80}`).Draw(t, "s")
		width := rapid.IntRange(1, 30).Draw(t, "width")
		lines := text.Wrap(s, width)
		if utf8.RuneCountInString(s) > width {
			for _, line := range lines {
				require.LessOrEqual(t, utf8.RuneCountInString(line), width)
			}
		}
		squeeze := func(s string) string { return strings.Join(strings.Fields(s), "") }
		require.Equal(t, squeeze(s), squeeze(strings.Join(lines, " ")))
	})
}

func TestWidthOfAPipeIsFixed(t *testing.T) {
	require.Equal(t, 100, text.Width(&bytes.Buffer{}))
}
