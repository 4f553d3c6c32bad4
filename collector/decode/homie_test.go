package decode

import (
	"strings"
	"testing"

	"github.com/stretchr/testify/require"
)

// Topics and payloads follow the convention's rules (version 5.0.0 and 4.0.0,
// sections on payloads, devices and properties) with devices of our own.
func TestHomie(t *testing.T) {
	const property = "homie/5/lub-7/meter/pulses"
	for _, c := range []struct {
		topic, payload string
		want           []string
	}{
		{property, "15235", []string{"meter/pulses=15235 @-"}},
		{property, "-5", []string{"meter/pulses=-5 @-"}},
		{property, "12.5e3", []string{"meter/pulses=12.5e3 @-"}},
		{property, "9223372036854775807", []string{"meter/pulses=9223372036854775807 @-"}},
		{property, "true", []string{"meter/pulses=true @-"}},
		{property, "false", []string{"meter/pulses=false @-"}},
		{property, "True", []string{"meter/pulses=True @-: the convention writes true and false in small letters"}},
		{property, "FALSE", []string{"meter/pulses=FALSE @-: the convention writes true and false in small letters"}},
		{property, "running", []string{"meter/pulses=running @-"}},
		{property, "12,5", []string{"meter/pulses=12,5 @-"}},
		{property, "\x00", []string{"meter/pulses= @-"}},
		{"plant/5/lub-7/meter/pulses", "1", []string{"meter/pulses=1 @-"}},
		{"homie/lub-7/meter/pulses", "1", []string{"meter/pulses=1 @-"}},
		{"homie/5/lub-7/$state", "ready", []string{"$state=true @-"}},
		{"homie/5/lub-7/$state", "init", []string{"$state=true @-"}},
		{"homie/lub-7/$state", "alert", []string{"$state=true @-"}},
		{"homie/5/lub-7/$state", "lost", []string{"$state=false @-"}},
		{"homie/lub-7/$state", "disconnected", []string{"$state=false @-"}},
		// Known, and without content.
		{"homie/5/lub-7/$state", "sleeping", nil},
		{"homie/5/lub-7/$description", `{"homie":"5.0","nodes":{}}`, nil},
		{"homie/5/lub-7/$log/warn", "low", nil},
		{"homie/5/lub-7/$alert/low", "refill", nil},
		{"homie/5/$broadcast/fire", "x", nil},
		{"homie/5/lub-7/meter/pulses/$target", "5", nil},
		{"homie/5/lub-7/meter/pulses/set", "5", nil},
		{"homie/lub-7/meter/pulses/set", "5", nil},
		{"homie/lub-7/meter/pulses/$unit", "#", nil},
		{"homie/lub-7/meter/$name", "Meter", nil},
		{"homie/lub-7/$homie", "4.0.0", nil},
	} {
		items, kept := readForm(homieForm, c.topic, c.payload)
		require.Nil(t, kept, c.topic)
		require.Equal(t, c.want, itemLines(items), "%s %q", c.topic, c.payload)
	}
}

func TestHomieThatBreaksTheRules(t *testing.T) {
	for _, c := range []struct {
		topic, payload string
		reason         Reason
	}{
		{"homie", "1", BadTopic},
		{"homie/5", "1", BadTopic},
		{"homie/5/lub-7/meter", "1", BadTopic},
		{"homie/5/lub-7/meter/pulses/x", "1", BadTopic},
		{"homie/5/lub-7/$state", "READY", BadForm},
		{"homie/5/lub-7/$state", "\xff", BadForm},
		{"homie/5/lub-7/meter/pulses", "\xff5", NotUTF8},
	} {
		items, kept := readForm(homieForm, c.topic, c.payload)
		require.Empty(t, items)
		require.NotNil(t, kept, c.topic)
		require.Equal(t, c.reason.String(), kept.Reason.String(), kept.Detail)
	}
}

func TestHomieIsRecognisedByItsTopic(t *testing.T) {
	for topic, want := range map[string]bool{
		"homie/5/lub-7/meter/pulses": true, "homie/lub-7/meter/pulses": true, "homie/5/lub-7/$state": true,
		"homie/5": false, "plant/5/lub-7/meter/pulses": false, "homier/5/a/b/c": false, "": false,
	} {
		require.Equal(t, want, likeHomie(topic, nil), topic)
	}
}

func TestHomieHints(t *testing.T) {
	for _, c := range []struct {
		topic, payload string
		want           []string
	}{
		{"homie/5/lub-7/$description", `{"homie":"5.0","name":"Dispenser","nodes":{"meter":{"name":"Meter","properties":{"pulses":{"datatype":"integer","unit":"#"},"on":{"datatype":"boolean"}}}}}`,
			[]string{"meter/pulses: datatype integer, unit #", "meter/on: datatype boolean"}},
		{"homie/5/lub-7/$description", `{"nodes":[{"id":"meter","properties":[{"id":"level","datatype":"float","unit":"%"}]},5]}`, []string{"meter/level: datatype float, unit %"}},
		{"homie/lub-7/meter/pulses/$unit", `#`, []string{"meter/pulses: unit #"}},
		{"homie/lub-7/meter/pulses/$datatype", `integer`, []string{"meter/pulses: datatype integer"}},
		{"homie/5/lub-7/$description", `{"nodes":5}`, nil},
		{"homie/5/lub-7/$description", `{"nodes":{},"nodes":{}}`, nil},
		{"homie/5/lub-7/$description", `[`, nil},
		{"homie/5/lub-7/$description", "\xff", nil},
		{"homie/5/lub-7/$state", `ready`, nil},
		{"homie/5/lub-7/meter/pulses", `5`, nil},
		{"homie", `5`, nil},
	} {
		require.Equal(t, c.want, HomieHints(c.topic, []byte(c.payload)), c.topic+" "+c.payload)
	}
	many := `{"nodes":{"a":{"properties":{` + strings.Repeat(`"b":{},`, 3_000) + `"b":{}}}}}`
	require.Len(t, HomieHints("homie/5/lub-7/$description", []byte(many)), mostHints)
}
