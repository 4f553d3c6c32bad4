package config_test

import (
	"testing"
	_ "time/tzdata" // the tests must not depend on the machine's zones

	"github.com/stretchr/testify/require"

	"dwindle/config"
)

func TestParseKeepsGoing(t *testing.T) {
	_, err := config.Parse("x.yaml", []byte("site: a\nzoen: UTC\nareas:\n  - id: a\n    name: [1]\nholidays: 3\ncalendar:\n  holidays:\n    - date: 2026-13-01\nsite: b\n"))
	require.Error(t, err)
	t.Log("\n" + err.Error())
}
