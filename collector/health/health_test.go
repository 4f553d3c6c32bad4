package health_test

import (
	"bytes"
	"log/slog"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"dwindle/collector/health"
)

func TestSinceMovesOnlyWithTheLevel(t *testing.T) {
	now := time.Date(2026, 3, 2, 6, 0, 0, 0, time.UTC)
	c := health.NewAt(nil, func() time.Time { return now })

	c.Set("journal", health.Warn, "slow disk", "look at the card")
	began := now
	now = now.Add(time.Hour)
	c.Set("journal", health.Warn, "slower disk", "look at the card")
	require.Equal(t, []health.Check{
		{Name: "journal", Level: health.Warn, What: "slower disk", Try: "look at the card", Since: began},
	}, c.List())

	c.Set("journal", health.Ok, "", "")
	require.Equal(t, []health.Check{{Name: "journal", Level: health.Ok, Since: now}}, c.List())
}

func TestListIsSortedAndWorstIsTheWorst(t *testing.T) {
	c := health.New(nil)
	require.Equal(t, health.Ok, c.Worst())
	c.Set("journal", health.Ok, "", "")
	c.Set("broker connection", health.Bad, "no broker", "start it")
	c.Set("forecast", health.Warn, "late", "wait")
	var names []string
	for _, check := range c.List() {
		names = append(names, check.Name)
	}
	require.Equal(t, []string{"broker connection", "forecast", "journal"}, names)
	require.Equal(t, health.Bad, c.Worst())
	c.Drop("broker connection")
	require.Equal(t, health.Warn, c.Worst())
}

func TestOnlyChangesAreLogged(t *testing.T) {
	var out bytes.Buffer
	c := health.New(slog.New(slog.NewTextHandler(&out, nil)))
	c.Set("a", health.Ok, "", "")
	require.Empty(t, out.String())
	for range 3 {
		c.Set("a", health.Bad, "broken", "mend it")
	}
	for range 3 {
		c.Set("a", health.Ok, "", "")
	}
	lines := strings.Split(strings.TrimSpace(out.String()), "\n")
	require.Len(t, lines, 2)
	require.Contains(t, lines[0], "level=ERROR msg=broken check=a try=\"mend it\"")
	require.Contains(t, lines[1], "level=INFO msg=recovered check=a was=broken")
}

func TestNilChecksTakeEverything(t *testing.T) {
	var c *health.Checks
	c.Set("a", health.Bad, "x", "y")
	c.Drop("a")
	require.Empty(t, c.List())
	require.Equal(t, health.Ok, c.Worst())
}

func TestConcurrentUse(t *testing.T) {
	c := health.New(nil)
	var wg sync.WaitGroup
	for i := range 8 {
		wg.Go(func() {
			for range 100 {
				c.Set(string(rune('a'+i)), health.Level(i%3), "w", "t")
				c.List()
			}
		})
	}
	wg.Wait()
	require.Len(t, c.List(), 8)
}

func TestLevelAsText(t *testing.T) {
	for _, level := range []health.Level{health.Ok, health.Warn, health.Bad} {
		text, err := level.MarshalText()
		require.NoError(t, err)
		var back health.Level
		require.NoError(t, back.UnmarshalText(text))
		require.Equal(t, level, back)
	}
	var l health.Level
	require.ErrorContains(t, l.UnmarshalText([]byte("fine")), "want ok, warn or bad")
	require.Equal(t, "level 9", health.Level(9).String())
}
