package station

import (
	"context"
	"encoding/json"
	"fmt"

	"dwindle/collector/health"
	"dwindle/forecast"
)

// rowBytes is room for most rows of forecasts as JSON.
const rowBytes = 640

// keepIssued keeps the first forecasts of each civil day as they were issued:
// what was said must stay readable beside what came, whatever a later program
// would have said. Once a day is enough to judge by and spares the flash. A
// failure is told and tried again at the next pass; it stops no forecast.
func (c *Station) keepIssued(ctx context.Context, fleet forecast.Fleet) {
	today := c.site.Load().Today(fleet.At)
	if c.issued == today {
		return
	}
	err := func() error {
		if _, _, kept, err := c.journal.Forecast(ctx, today); err != nil || kept {
			return err
		}
		// A row at a time: all at once would take many times their size.
		body := append(make([]byte, 0, rowBytes*len(fleet.States)+2), '[')
		for i := range fleet.States {
			row, err := json.Marshal(&fleet.States[i].Row)
			if err != nil {
				return fmt.Errorf("keep the forecasts of %s: %w", today, err)
			}
			if i > 0 {
				body = append(body, ',')
			}
			body = append(body, row...)
		}
		body = append(body, ']')
		return c.journal.SaveForecast(ctx, today, fleet.At, body)
	}()
	if err != nil {
		c.health.Set("issued forecasts", health.Warn, "today's forecasts are not kept for later judgement: "+err.Error(), "see the journal's check; they are kept at the next pass")
		return
	}
	c.issued = today
	c.health.Set("issued forecasts", health.Ok, "", "")
}
