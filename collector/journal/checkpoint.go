package journal

import (
	"context"

	"dwindle/config/civil"
)

// checkpointPlace is the key of a checkpoint: the number of the series, and its
// day in 32 bits, so that those of one series lie together in the order of time.
func checkpointPlace(series int64, day civil.Date) int64 { return series<<32 | (int64(day) + 1<<31) }

// checkpointDay gives the day of a place.
func checkpointDay(place int64) civil.Date { return civil.Date(place&(1<<32-1) - 1<<31) }

// Checkpoints are kept for each of the last days and for one day a week before
// that: late data older than this are rare, and then cost a week more to fold.
const checkpointDays = 35

func (j *Journal) saveCheckpoints(ctx context.Context, series int64, checks []Checkpoint) error {
	if len(checks) == 0 {
		return nil
	}
	dense := checks[len(checks)-1].Day - checkpointDays
	for _, c := range checks {
		if c.Day < dense && c.Day%7 != 0 {
			continue
		}
		if _, err := j.stmts[stmtCheckpoint].ExecContext(ctx, checkpointPlace(series, c.Day), pack(c.State)); err != nil {
			return err
		}
	}
	// What has grown old since the last time: two weeks of it, so that the
	// work does not grow with the history.
	_, err := j.w.ExecContext(ctx, "DELETE FROM checkpoint WHERE place >= ? AND place < ? AND ((place & 4294967295) - 2147483648) % 7 <> 0", checkpointPlace(series, dense-14), checkpointPlace(series, dense))
	return err
}
