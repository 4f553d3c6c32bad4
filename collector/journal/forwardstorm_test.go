package journal

import (
	"context"
	"fmt"
	"math/rand/v2"
	"path/filepath"
	"sync"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"dwindle/collector/reading"
)

// receiver is a model of a server that receives: what it was given last stands.
type receiver struct {
	rows  map[string]reading.Reading
	facts map[string]reading.StoredFact
	lines []string
}

func newReceiver() *receiver {
	return &receiver{rows: map[string]reading.Reading{}, facts: map[string]reading.StoredFact{}}
}

// spot is where the receiver keeps a reading.
func spot(r *reading.Reading) string {
	return fmt.Sprintf("%s/%s/%d/%s", r.Device, r.Quantity, r.At.UnixMilli(), r.Key)
}

func factSpot(f *reading.StoredFact) string {
	return fmt.Sprintf("%s/%s/%d/%s", f.Device, f.Kind, f.At.UnixMilli(), f.ID)
}

func (x *receiver) take(p *Parcel) {
	for _, r := range p.Ranges {
		if !r.Gone {
			continue
		}
		for k, old := range x.rows {
			if r.Fact == "" && old.Channel == r.Channel && !old.At.Before(r.From) && !old.At.After(r.To) {
				delete(x.rows, k)
			}
		}
		for k, old := range x.facts {
			if r.Fact == old.Kind && old.Device == r.Device && !old.At.Before(r.From) && !old.At.After(r.To) {
				delete(x.facts, k)
			}
		}
	}
	for i := range p.Readings {
		x.rows[spot(&p.Readings[i])] = p.Readings[i]
	}
	for i := range p.Facts {
		x.facts[factSpot(&p.Facts[i])] = p.Facts[i]
	}
	for _, l := range p.Lines {
		x.lines = append(x.lines, string(l.Text))
	}
}

// holds wants the receiver to have what the journal has, and nothing else.
func (x *receiver) holds(t testing.TB, j *Journal) {
	t.Helper()
	want := map[string]reading.Reading{}
	for _, r := range all(t, j) {
		want[spot(&r)] = r
	}
	require.Equal(t, len(want), len(x.rows))
	for k, r := range want {
		require.Equal(t, r, x.rows[k], k)
	}
	var facts []reading.StoredFact
	require.NoError(t, j.StoredFacts(context.Background(), func(f reading.StoredFact) error {
		facts = append(facts, f)
		return nil
	}))
	require.Equal(t, len(facts), len(x.facts))
	for _, f := range facts {
		require.Equal(t, f, x.facts[factSpot(&f)])
	}
}

// drain sends until nothing waits.
func (x *receiver) drain(t testing.TB, o *Outbox, rows int) {
	t.Helper()
	for {
		p, err := o.Next(context.Background(), rows)
		require.NoError(t, err)
		if p.Empty() {
			return
		}
		x.take(&p)
		require.NoError(t, o.Done(context.Background(), p, nil))
	}
}

func increment(device, key string, at time.Time, n int64) reading.Reading {
	return reading.Reading{Channel: reading.Channel{Device: device, Quantity: reading.PulseIncrement}, At: at, Received: at, FromDevice: true, Value: float64(n), Count: n, Key: key}
}

const receiverName = "http://127.0.0.1:8086 terminal/lube"

func outbox(t testing.TB, j *Journal) *Outbox {
	t.Helper()
	o, err := j.Outbox(context.Background(), receiverName)
	require.NoError(t, err)
	return o
}

// Whatever is stored, late, doubled, settled otherwise, taken back or moved, and
// however often either side begins anew: in the end the receiver has what the
// journal has. What is not late comes in time order, channel by channel.
func TestTheReceiverHasWhatTheJournalHas(t *testing.T) {
	rounds := 3
	if *long {
		rounds = 60
	}
	for seed := range rounds {
		t.Run(fmt.Sprint(seed), func(t *testing.T) { forwardStorm(t, uint64(seed)) })
	}
}

func forwardStorm(t *testing.T, seed uint64) {
	ctx := context.Background()
	chance := rand.New(rand.NewPCG(seed, 3))
	path := filepath.Join(t.TempDir(), "journal.db")
	var j *Journal
	start := func() {
		var err error
		j, err = Open(ctx, path, Options{RawBytes: 1 << 20})
		require.NoError(t, err)
	}
	start()
	defer func() { require.NoError(t, j.Close()) }()
	x := newReceiver()
	now := t0
	device := func() string { return fmt.Sprintf("d-%d", chance.IntN(5)) }
	at := func() time.Time {
		switch chance.IntN(6) {
		case 0: // late
			return now.Add(-time.Duration(chance.IntN(3*3600_000)) * time.Millisecond).Truncate(time.Duration(1+chance.IntN(60_000)) * time.Millisecond)
		case 1: // where others are
			return now.Truncate(time.Minute)
		}
		return now
	}
	some := func() Entry {
		n := chance.IntN(1000)
		r := hours(device(), at(), float64(n))
		switch chance.IntN(4) {
		case 0:
			r = count(device(), at(), int64(n))
		case 1:
			r = increment(device(), fmt.Sprint(chance.IntN(400)), at(), int64(n))
		case 2:
			r = stamped(device(), at().Truncate(time.Second), float64(n))
		}
		r.Received = now
		if r.Flags&reading.ReceiveTime != 0 {
			r.Received = r.At
		}
		e := entry(r)
		e.Raw = &Raw{Received: r.Received, Topic: "lube/v1/t/x/run", Payload: []byte(fmt.Sprint(n))}
		if chance.IntN(8) == 0 {
			v := float64(chance.IntN(5))
			f := reading.Fact{Kind: reading.FactSetting, Device: device(), At: at(), Received: now, CM3Per100h: &v}
			if chance.IntN(2) == 0 {
				f.At = now
			}
			e.Facts = []reading.Fact{f}
		}
		return e
	}
	rerun := func(o *Outbox) {
		blocks, err := j.RawBlocks(ctx, time.Time{}, now.AddDate(1, 0, 0))
		require.NoError(t, err)
		if len(blocks) == 0 {
			return
		}
		b := blocks[chance.IntN(len(blocks))]
		messages, err := j.RawMessages(ctx, b.ID)
		require.NoError(t, err)
		batch := make(Batch, len(messages))
		for i := range messages {
			if chance.IntN(3) == 0 {
				r := hours(device(), at(), float64(chance.IntN(1000)))
				r.Received = messages[i].Received
				batch[i] = entry(r)
			}
		}
		_, err = j.RerunRaw(ctx, b.ID, messages, batch, chance.IntN(5) == 0)
		require.NoError(t, err)
	}
	for life := range 4 {
		o := outbox(t, j)
		_, anew := o.Anew()
		require.Equal(t, life == 0, anew)
		o.slice.ms = 1 << chance.IntN(24)
		crash := life < 3 && chance.IntN(2) == 0
		end, stop := context.WithCancel(ctx)
		var forwarder sync.WaitGroup
		luck := rand.New(rand.NewPCG(seed, uint64(100+life)))
		forwarder.Go(func() {
			var ahead []Parcel
			last := map[reading.Channel]time.Time{} // since this forwarder began
			for end.Err() == nil {
				p, err := o.Next(ctx, 1+luck.IntN(40))
				if err != nil {
					t.Error(err)
					return
				}
				if !p.Empty() {
					ahead = append(ahead, p)
				}
				for len(ahead) > 0 && (p.Empty() || luck.IntN(2) == 0) {
					if luck.IntN(10) == 0 { // not sent, or sent and the answer lost
						if luck.IntN(2) == 0 {
							x.take(&ahead[0])
						}
						o.Back()
						ahead, last = nil, map[reading.Channel]time.Time{}
						break
					}
					for _, r := range ahead[0].Readings[ahead[0].Late:] {
						if r.At.Before(last[r.Channel]) || r.Key == "" && r.At.Equal(last[r.Channel]) {
							t.Errorf("%v at %v comes after %v", r.Channel, r.At, last[r.Channel])
						}
						last[r.Channel] = r.At
					}
					x.take(&ahead[0])
					if err := o.Done(ctx, ahead[0], nil); err != nil {
						t.Error(err)
						return
					}
					ahead = ahead[1:]
				}
				if p.Empty() {
					select {
					case <-o.Ready():
					case <-end.Done():
					}
				}
			}
		})
		for range 60 {
			now = now.Add(time.Duration(chance.IntN(90_000)) * time.Millisecond)
			var b Batch
			for range 1 + chance.IntN(12) {
				b = append(b, some())
			}
			_, err := j.Commit(ctx, b)
			require.NoError(t, err)
			switch chance.IntN(20) {
			case 0:
				require.NoError(t, j.SaveRaw(ctx))
				rerun(o)
			case 1:
				from := now.Add(-time.Duration(chance.IntN(1200)) * time.Second)
				by := time.Duration(chance.IntN(4000)-2000) * time.Second
				_, err := j.Shift(ctx, from, from.Add(time.Duration(chance.IntN(600))*time.Second), by)
				require.NoError(t, err)
			}
		}
		stop()
		forwarder.Wait()
		if life == 3 {
			break
		}
		if crash {
			j.fwd, j.marked = nil, false // its places are not written, nor that it ended well
		}
		require.NoError(t, j.Close())
		start()
	}
	x.drain(t, outbox(t, j), 50)
	x.holds(t, j)
	b, err := outbox(t, j).Backlog(ctx)
	require.NoError(t, err)
	require.Zero(t, b.Readings+b.Late+b.Facts+b.Lines)
	require.Zero(t, b.Channels)
	require.False(t, b.Estimated)
}
