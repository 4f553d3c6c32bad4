package collector

import (
	"time"

	"dwindle/collector/decode"
	"dwindle/collector/reading"
	"dwindle/config"
)

// Try decodes one message as the intake would, without storing anything, and
// tells the steps. Fills and settings that only the journal knows are not
// considered, and what the journal then makes of the values (duplicates,
// conflicts) is not told.
func Try(site *config.Site, m reading.Message, now time.Time) (decode.Understood, *decode.Kept, []decode.Step, error) {
	rules, err := RulesOf(site)
	if err != nil {
		return decode.Understood{}, nil, nil, err
	}
	u, kept, steps := decode.Explain(m, rules, newRegister(func() *config.Site { return site }), now)
	return u, kept, steps, nil
}
