package decode_test

import (
	"fmt"
	"time"

	"dwindle/collector/decode"
	"dwindle/collector/reading"
)

type register map[string]decode.Device

func (r register) Lookup(id string) (decode.Device, bool) { d, ok := r[id]; return d, ok }

// One message that is used, and one that is kept aside with what to do.
func ExampleNative() {
	known := register{"elevator-2": {Role: decode.Machine}}
	now := time.Date(2026, 10, 26, 7, 20, 0, 0, time.UTC)
	for _, payload := range []string{`{"hours":12558.5,"at":"2026-10-26T07:00:00Z"}`, `{"hours":"about 12558"}`} {
		m := reading.Message{Topic: "lube/v1/riverside/elevator-2/run", Payload: []byte(payload), Received: now}
		d, kept := decode.Native(m, "lube/v1", "riverside", known, now)
		if kept != nil {
			fmt.Printf("%s (%s)\n%s\n", kept.Reason, kept.Detail, kept.Reason.Remedy())
			continue
		}
		fmt.Println(d.Readings[0].Quantity, d.Readings[0].Value, d.Readings[0].At.Format(time.RFC3339))
	}
	// Output:
	// run.hours 12558.5 2026-10-26T07:00:00Z
	// not_a_number (hours: text "about 12558" is no plain number)
	// send a plain JSON number with a decimal point; or say under connections.mappings how it is written
}
