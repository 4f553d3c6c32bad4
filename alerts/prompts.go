package alerts

import (
	"context"

	"dwindle/alerts/alarm"
	"dwindle/config"
	"dwindle/forecast"
)

// Prompts gives planned work and hints as of a pass: reservoirs to change in
// the coming weeks, dispensers that have yet to be heard of, gaps in the
// register. They ask for planning, not for a person in time.
func Prompts(ctx context.Context, site *config.Site, fleet forecast.Fleet, src forecast.Source) ([]alarm.Prompt, error) {
	return nil, nil
}
