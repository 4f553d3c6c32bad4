package station

import (
	"testing"

	"github.com/stretchr/testify/require"
)

// The names are those that the journal and the brokers report under.
func TestVitalChecks(t *testing.T) {
	for name, want := range map[string]bool{
		"journal": true, "journal file": true, "journal place": true, "broker connection": true, "embedded broker": true, "sparkplug connection": true,
		"forecast": false, "site file": false, "daily figures": false, "brokerage": false,
	} {
		require.Equal(t, want, vital(name), name)
	}
}
