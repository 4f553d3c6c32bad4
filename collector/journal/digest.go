package journal

import (
	"context"
	"time"

	"dwindle/collector/reading"
	"dwindle/config/civil"
)

// Digest is what somebody made of the daily figures of a series.
type Digest struct {
	Series
	reading.Digest
	// Edition and At are those of the derived data that it rests on.
	Edition int64
	At      time.Time
}

// SaveDigests keeps digests, one for each series: the last one stands. Those of
// series that were derived on meanwhile are passed over, since nobody knows
// whether the days that they rest on are still the same.
func (j *Journal) SaveDigests(ctx context.Context, list []Digest) error {
	if len(list) == 0 {
		return nil
	}
	return j.write(ctx, "save digests of daily figures", func(ctx context.Context) error {
		for i := range list {
			d := &list[i]
			if _, err := j.stmts[stmtDigest].ExecContext(ctx, int64(d.Day), int64(d.Mark), d.Body, d.Device, string(d.Kind), d.Edition, d.At.UnixMilli()); err != nil {
				return err
			}
		}
		return nil
	})
}

// dropDigest gives up the digest of a series if it goes as far as a day.
func (j *Journal) dropDigest(ctx context.Context, id int64, from civil.Date) error {
	_, err := j.stmts[stmtDigestDrop].ExecContext(ctx, id, int64(from))
	return err
}

// Digest gives what is kept of a series. Its body must not be changed.
func (s *Snapshot) Digest(x *Saved) (d reading.Digest, ok bool, err error) {
	if s.memo != nil && s.memo.digests != nil {
		d, ok = s.memo.digests[x.ID]
		return d, ok, nil
	}
	var mark int64
	ok, err = s.one([]any{&d.Day, &mark, &d.Body}, "SELECT day, mark, body FROM digest WHERE series = ?", x.ID)
	d.Mark = uint64(mark)
	return d, ok, err
}
