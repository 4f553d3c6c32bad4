package results

import (
	"bytes"
	"context"

	"dwindle/collector/journal"
	"dwindle/config"
	"dwindle/config/civil"
)

// row makes a line of a daily row; it has to be put into the queue or taken back.
// What has no form as a line is left out and told: it must not keep others back.
func (f *Feeder) row(measurement string, row any, day civil.Date, site *config.Site) (line []byte) {
	return f.encode(func(dst []byte) ([]byte, error) { return f.enc.Daily(dst, measurement, row, day, site.Location()) })
}

func (f *Feeder) encode(do func(dst []byte) ([]byte, error)) (line []byte) {
	begin := len(f.text)
	text, err := do(f.text)
	if err != nil {
		if f.unfit == nil {
			f.unfit = err
		}
		return nil
	}
	text = bytes.TrimSuffix(text, []byte("\n"))
	f.text = text
	return text[begin:len(text):len(text)]
}

// takeBack forgets the line that was made last.
func (f *Feeder) takeBack(line []byte) { f.text = f.text[:len(f.text)-len(line)] }

// put collects a line; lines go into the queue some hundred at a time.
func (f *Feeder) put(ctx context.Context, line []byte) error {
	if len(line) > 0 {
		f.lines = append(f.lines, line)
	}
	if len(f.lines) < linesOnce {
		return nil
	}
	return f.flush(ctx)
}

func (f *Feeder) flush(ctx context.Context) error {
	defer f.drop()
	if len(f.lines) == 0 {
		return nil
	}
	return f.opt.Queue(ctx, f.lines)
}

// drop forgets the lines that were collected.
func (f *Feeder) drop() {
	clear(f.lines)
	f.lines, f.text = f.lines[:0], f.text[:0]
}

// mark ends a part: all its lines are in the queue, and then it is marked.
func (f *Feeder) mark(ctx context.Context, today civil.Date, marks ...journal.Mark) error {
	if err := f.flush(ctx); err != nil {
		return err
	}
	return f.opt.Journal.SaveMarks(ctx, marks, today-reachDays-2*blockDays)
}

func (f *Feeder) marks(ctx context.Context, measurement string, first, last civil.Date) ([]journal.Mark, error) {
	return f.opt.Journal.Marks(ctx, measurement, first, last)
}
