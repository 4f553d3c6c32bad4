package station

import (
	"encoding/json"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"dwindle/config"
	"dwindle/forecast"
)

func TestTheFirstForecastsOfADayAreKeptAsIssued(t *testing.T) {
	site, err := config.Load("../../../deploy/example-site.yaml")
	require.NoError(t, err)
	site.Data = t.TempDir()
	s, err := New(t.Context(), site, Options{})
	require.NoError(t, err)
	defer func() { require.NoError(t, s.Close()) }()

	morning := time.Date(2026, 11, 25, 5, 0, 0, 0, time.UTC)
	for _, at := range []time.Time{morning, morning.Add(6 * time.Hour), morning.Add(24 * time.Hour)} {
		_, err := s.Pass(t.Context(), at)
		require.NoError(t, err)
	}
	for day, want := range map[int]time.Time{0: morning, 1: morning.Add(24 * time.Hour)} {
		at, body, ok, err := s.journal.Forecast(t.Context(), site.Today(morning.AddDate(0, 0, day)))
		require.NoError(t, err)
		require.True(t, ok)
		require.Equal(t, want, at.UTC(), "the first of the day stands")
		var rows []forecast.Row
		require.NoError(t, json.Unmarshal(body, &rows))
		require.Len(t, rows, len(site.Points))
		require.NotEmpty(t, rows[0].Withheld)
	}
	_, _, ok, err := s.journal.Forecast(t.Context(), site.Today(morning)-1)
	require.NoError(t, err)
	require.False(t, ok)
}
