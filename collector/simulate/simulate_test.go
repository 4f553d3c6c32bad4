package simulate

import (
	"crypto/sha256"
	"encoding/json"
	"fmt"
	"math"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"dwindle/collector/reading"
	"dwindle/config"
)

// digest hashes all messages and facts of a plant.
func digest(p *Plant) [32]byte {
	h := sha256.New()
	for m := range p.Messages() {
		fmt.Fprintf(h, "%d %s %s\n", m.At.Unix(), m.Topic, m.Payload)
	}
	facts, _ := json.Marshal(p.Facts())
	h.Write(facts)
	return [32]byte(h.Sum(nil))
}

func TestSameSeedSameBytes(t *testing.T) {
	opt := Options{Seed: 7, Points: 20, Days: 60}
	p := New(opt)
	first := digest(p)
	require.Equal(t, first, digest(p), "a second pass over the same plant")
	require.Equal(t, first, digest(New(opt)), "a second plant of the same seed")
	require.Equal(t, p.Faults(), New(opt).Faults())
	opt.Seed = 8
	require.NotEqual(t, first, digest(New(opt)), "another seed")
}

func TestSiteIsCompleteAndMarshals(t *testing.T) {
	for _, n := range []int{1, 5, 30, 200} {
		p := New(Options{Seed: 3, Points: n, Days: 30})
		s := p.Site()
		require.Len(t, s.Points, n)
		require.Len(t, s.Dispensers, n)
		for _, pt := range s.Points {
			require.NotNil(t, s.Machine(pt.Machine))
			require.NotNil(t, s.Lubricant(pt.Lubricant))
			require.NotNil(t, s.Reservoir(pt.Reservoir))
			d := s.DispenserAt(pt.ID)
			require.NotNil(t, d)
			require.NotNil(t, s.Model(d.Model))
			require.NotNil(t, s.GatewayOf(d.ID), "a dispenser must be behind a gateway")
			_, ok := s.SettingAt(d.ID, p.Start())
			require.True(t, ok)
			require.True(t, (pt.Plan.DoseCM3Per100h > 0) != (pt.Plan.DoseCM3PerDay > 0), "exactly one plan dose")
			_, ok = s.NextVisit(s.Machine(pt.Machine).Area, s.Today(p.End()))
			require.True(t, ok, "every area has a next visit")
		}
		text, err := p.SiteYAML()
		require.NoError(t, err)
		loaded, err := config.Parse("plant.yaml", text)
		require.NoError(t, err, "the site file has to load without a fault")
		require.Empty(t, loaded.Warnings(), "and without a doubt")
		require.NoError(t, s.Validate())
		again, err := loaded.Marshal()
		require.NoError(t, err)
		require.Contains(t, string(text), string(again), "what was written is what was meant")
	}
}

func TestSummerTimeIsInTheHistory(t *testing.T) {
	p := New(Options{Seed: 1, Points: 2, Healthy: true})
	loc := p.Site().Location()
	_, winter := p.Start().In(loc).Zone()
	_, summer := p.End().In(loc).Zone()
	require.NotEqual(t, winter, summer, "the default history has to cross a change of the clocks")
}

// channelOf is the device and kind of a topic.
func channelOf(topic string) (device, kind string) {
	parts := strings.Split(topic, "/")
	return parts[len(parts)-2], parts[len(parts)-1]
}

// instant reads any of the time forms that the plant writes.
func instant(t require.TestingT, raw json.RawMessage) time.Time {
	var text string
	if json.Unmarshal(raw, &text) == nil {
		at, err := time.Parse(time.RFC3339, text)
		require.NoError(t, err)
		return at.UTC()
	}
	var n int64
	require.NoError(t, json.Unmarshal(raw, &n))
	if n > 1e12 {
		return time.UnixMilli(n).UTC()
	}
	return time.Unix(n, 0).UTC()
}

func TestHealthyMessagesAgreeWithTheTruth(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		p := New(Options{
			Seed: rapid.Uint64().Draw(t, "seed"), Points: 10, Days: rapid.IntRange(1, 8).Draw(t, "days"),
			LevelStepPercent: rapid.SampledFrom([]float64{1, 2, 10}).Draw(t, "step"), Healthy: true,
		})
		s := p.Site()
		last := map[string]float64{}
		sent := time.Time{}
		for m := range p.Messages() {
			require.False(t, m.At.Before(sent), "a healthy plant sends in order of time")
			sent = m.At
			device, kind := channelOf(m.Topic)
			var in map[string]json.RawMessage
			require.NoError(t, json.Unmarshal(m.Payload, &in), "%s %s", m.Topic, m.Payload)
			at := instant(t, in["at"])
			require.Equal(t, m.At, at)
			number := func(name string) (v float64, ok bool) {
				if raw, has := in[name]; has {
					require.NoError(t, json.Unmarshal(raw, &v))
					return v, true
				}
				return 0, false
			}
			for _, name := range []string{"hours", "seconds", "count", "strokes", "cm3"} {
				if v, ok := number(name); ok && kind != "level" {
					key := device + name
					require.GreaterOrEqual(t, v, last[key], "cumulative %s of %s", name, device)
					last[key] = v
				}
			}
			if kind == "level" {
				checkLevel(t, p, s, device, at, number)
			}
		}
	})
}

func checkLevel(t require.TestingT, p *Plant, s *config.Site, device string, at time.Time, number func(string) (float64, bool)) {
	d := s.Dispenser(device)
	pt := s.Point(d.Point)
	usable := s.Reservoir(pt.Reservoir).UsableCM3
	truth, ok := p.Truth(d.Point, at)
	require.True(t, ok)
	evidence, ch := d.EvidenceOf("level")
	// Half a step, and five standard deviations: passed by chance less than
	// once in a million readings. The sensor's range ends at the usable volume.
	slack := 5 * ch.SDCM3
	if v, ok := number("percent"); ok {
		require.Equal(t, config.EvidenceMeasured, evidence)
		require.InDelta(t, math.Min(truth.RemainingCM3, usable), v/100*usable, slack+usable*ch.StepPercent/200+0.01)
	}
	if v, ok := number("cm3"); ok {
		require.InDelta(t, math.Min(truth.RemainingCM3, usable), v, slack+ch.StepCM3/2+0.06)
	}
	if _, ok := number("count_left"); ok {
		require.Equal(t, config.EvidenceCounted, evidence)
	}
}

func TestVolumeBalance(t *testing.T) {
	for seed := range uint64(4) {
		p := New(Options{Seed: seed, Points: 30, Days: 200})
		changes := 0
		for i := range p.points {
			pt := &p.points[i]
			put := 0.0
			for _, f := range pt.fills {
				put += f.volume
			}
			residual := 0.0
			for j := 1; j < len(pt.fills); j++ {
				residual += pt.leftAt(pt.fills[j].from - 1)
			}
			changes += len(pt.fills) - 1
			end := p.endSec()
			out := p.delivered(pt, 0, end)
			// The second before a change still belongs to the old fill.
			require.InDelta(t, put, out+residual+pt.leftAt(end), 0.05, pt.id)
			require.GreaterOrEqual(t, pt.leftAt(end), 0.0)
		}
		require.Greater(t, changes, 20, "200 days have to hold many reservoir changes")
	}
}

func TestSensibleCrewKeepsHealthyPointsWet(t *testing.T) {
	dry, total := 0, 0
	for seed := range uint64(4) {
		p := New(Options{Seed: seed, Healthy: true})
		first, last := p.Dates()
		for i := range p.points {
			for d := first; d <= last; d++ {
				total++
				if p.points[i].leftAt(p.since(d.End(p.loc))) == 0 && p.points[i].fills[0].from < p.since(d.End(p.loc)) {
					dry++
				}
			}
		}
	}
	require.Less(t, float64(dry)/float64(total), 0.01, "%d of %d point-days are dry", dry, total)
}

func TestCommissioningStartsEveryFill(t *testing.T) {
	p := New(Options{Seed: 4})
	begun := map[string]bool{}
	changed := map[string]int{}
	for _, f := range p.Facts() {
		require.NotEmpty(t, f.ID)
		switch f.Kind {
		case reading.FactCommission:
			begun[f.Point] = true
			require.Positive(t, *f.VolumeCM3)
		case reading.FactChange:
			changed[f.Point]++
		}
	}
	for m := range p.Messages() {
		if device, kind := channelOf(m.Topic); kind == "change" {
			changed[p.Site().Dispenser(device).Point]++
		}
	}
	for _, pt := range p.Site().Points {
		require.True(t, begun[pt.ID])
		require.Len(t, p.Changes(pt.ID), changed[pt.ID]+1, "every change of %s is told once", pt.ID)
	}
}

func TestLiveGoesOnWhereTheHistoryEnds(t *testing.T) {
	p := New(Options{Seed: 6, Points: 12, Days: 20, Healthy: true})
	last := map[string]float64{}
	read := func(m Sent) (string, float64, bool) {
		var in struct {
			Count   *float64 `json:"count"`
			Hours   *float64 `json:"hours"`
			Strokes *float64 `json:"strokes"`
		}
		require.NoError(t, json.Unmarshal(m.Payload, &in), string(m.Payload))
		device, kind := channelOf(m.Topic)
		for _, v := range []*float64{in.Count, in.Hours, in.Strokes} {
			if v != nil {
				return device + kind, *v, true
			}
		}
		return "", 0, false
	}
	for m := range p.Messages() {
		if k, v, ok := read(m); ok {
			last[k] = v
		}
	}
	n, sent := 0, p.End()
	for m := range p.Live(p.End(), 10*time.Minute) {
		require.False(t, m.At.Before(sent))
		require.Zero(t, m.At.Sub(p.End())%(10*time.Minute), "a step's messages carry its time")
		sent = m.At
		if k, v, ok := read(m); ok {
			require.GreaterOrEqual(t, v, last[k], k)
			require.Less(t, v-last[k], 100.0, "%s must not jump", k)
			last[k] = v
		}
		if n++; n == 2000 {
			break
		}
	}
	require.Equal(t, 2000, n)
}

func TestTruthKnowsWhenAFillRunsOut(t *testing.T) {
	p := New(Options{Seed: 9, Healthy: true})
	for _, pt := range p.Site().Points {
		now, ok := p.Truth(pt.ID, p.End())
		require.True(t, ok)
		require.True(t, now.EmptyKnown, pt.ID)
		just, _ := p.Truth(pt.ID, now.Empty.Add(-2*time.Hour))
		gone, _ := p.Truth(pt.ID, now.Empty)
		require.InDelta(t, 0, gone.RemainingCM3, 1e-9)
		require.GreaterOrEqual(t, just.RemainingCM3, gone.RemainingCM3)
	}
	_, ok := p.Truth("nowhere", p.End())
	require.False(t, ok)
}

func BenchmarkNew(b *testing.B) {
	for b.Loop() {
		New(Options{Seed: 1})
	}
}

func BenchmarkMessages(b *testing.B) {
	p := New(Options{Seed: 1})
	b.ReportAllocs()
	n := 0
	for b.Loop() {
		n = 0
		for range p.Messages() {
			n++
		}
	}
	b.ReportMetric(float64(n)*float64(b.N)/b.Elapsed().Seconds(), "msg/s")
	b.ReportMetric(float64(n), "msg")
}
