package meter_test

import (
	"fmt"
	"time"

	"dwindle/collector/meter"
	"dwindle/collector/reading"
)

// A dispenser's counter drops to zero for one reading and comes back: the
// zero is passed over, and only the two pulses since are counted.
func ExampleFold() {
	fold := meter.New(meter.Pulse, meter.Rules{Every: time.Minute})
	start := time.Date(2026, 3, 2, 8, 0, 0, 0, time.UTC)
	for i, count := range []int64{15234, 0, 15236} {
		settled := fold.Add(reading.Reading{
			Channel: reading.Channel{Device: "lub-7", Quantity: reading.PulseCount},
			At:      start.Add(time.Duration(i) * time.Minute), Count: count,
		})
		for _, iv := range settled {
			fmt.Println(iv.From.Format("15:04"), iv.To.Format("15:04"), iv.Amount, iv.Flags)
		}
	}
	// Output: 08:00 08:02 2 glitch
}
