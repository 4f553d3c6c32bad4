package collector

import (
	"context"

	"dwindle/collector/journal"
	"dwindle/collector/reading"
)

// TakeOver commits what a working copy takes over from the journal that it
// follows, and tells the rest of the house as after messages. It goes beside
// the queue: a copy takes no messages.
func (in *Intake) TakeOver(ctx context.Context, x journal.Copied) (journal.Result, error) {
	result, err := in.j.TakeOver(ctx, x)
	if err != nil {
		return result, err
	}
	in.progress.note()
	facts := make([]reading.Fact, len(x.Facts))
	for i := range x.Facts {
		facts[i] = x.Facts[i].Fact
	}
	in.done(journal.Batch{{Facts: facts}}, result)
	return result, nil
}
