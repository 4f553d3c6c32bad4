package decode

import (
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"dwindle/collector/reading"
)

func fact(t *testing.T, topic, payload string) reading.Fact {
	t.Helper()
	d, kept := decode(send(topic, payload))
	require.Nil(t, kept)
	require.Len(t, d.Facts, 1)
	return d.Facts[0]
}

func TestChangeBecomesAFact(t *testing.T) {
	f := fact(t, "lub-7/change", `{"volume_cm3":120,"id":"chg-4","item":"4711","batch":"B7","serial":998,"residual_cm3":6.5,"residual_g":5.9,"at":"2026-10-26T07:00:00Z"}`)
	require.Equal(t, "change/lub-7/chg-4", f.ID)
	require.Equal(t, reading.FactChange, f.Kind)
	require.Equal(t, "lub-7", f.Device)
	require.Equal(t, 120.0, *f.VolumeCM3)
	require.Equal(t, 6.5, *f.ResidualCM3)
	require.Equal(t, 5.9, *f.ResidualG)
	require.Equal(t, []string{"4711", "B7", "998"}, []string{f.Item, f.Batch, f.Serial})
	require.Equal(t, time.Date(2026, 10, 26, 7, 0, 0, 0, time.UTC), f.At)
	require.Equal(t, received, f.Received)
	require.Empty(t, f.Content, "its own id is its key")
}

func TestChangeWithoutIDHasItsContentAsKey(t *testing.T) {
	const at = `,"at":"2026-10-26T07:00:00Z"}`
	a := fact(t, "lub-7/change", `{"volume_cm3":120,"batch":"B7"`+at)
	again := fact(t, "lub-7/change", `{"batch":"B7", "volume_cm3":1.2e2`+at)
	require.Equal(t, a.ID, again.ID, "the same report twice is one fact, however it is written")
	require.NotEmpty(t, a.Content)

	later := fact(t, "lub-7/change", `{"volume_cm3":120,"batch":"B7","at":"2026-10-26T07:10:00Z"}`)
	require.NotEqual(t, a.ID, later.ID)
	require.Equal(t, a.Content, later.Content, "a candidate for the 24 h rule")

	other := fact(t, "lub-7/change", `{"volume_cm3":120,"batch":"B8"`+at)
	require.NotEqual(t, a.Content, other.Content)
	elsewhere := fact(t, "lub-spare/change", `{"volume_cm3":120,"batch":"B7"`+at)
	require.NotEqual(t, a.ID, elsewhere.ID)
}

func TestStatusReportsSettingSerialAndFaults(t *testing.T) {
	d, kept := decode(send("lub-7/status", `{"setting":{"pacing":"run","cm3_per_100h":2.1,"note":"x"},"serial":"S-12","faults":["E5"," low battery "],"supply_v":3.4}`))
	require.Nil(t, kept)
	require.Len(t, d.Readings, 1)
	require.Len(t, d.Facts, 3)
	byKind := map[reading.FactKind]reading.Fact{}
	for _, f := range d.Facts {
		byKind[f.Kind] = f
		require.Equal(t, "lub-7", f.Device)
		require.NotEmpty(t, f.ID)
	}
	require.Equal(t, 2.1, *byKind[reading.FactSetting].CM3Per100h)
	require.Nil(t, byKind[reading.FactSetting].CM3PerPulse)
	require.Equal(t, "run", byKind[reading.FactSetting].Pacing)
	require.Equal(t, "S-12", byKind[reading.FactSerial].Serial)
	require.Equal(t, []string{"E5", "low battery"}, byKind[reading.FactFaults].Faults)

	f := fact(t, "lub-7/status", `{"setting":{"pacing":"pulse","cm3_per_pulse":"0.3"}}`)
	require.Equal(t, 0.3, *f.CM3PerPulse)
	f = fact(t, "gw-silo/status", `{"faults":[]}`)
	require.Equal(t, reading.FactFaults, f.Kind)
	require.Empty(t, f.Faults, "an empty list says that they are gone")
}
