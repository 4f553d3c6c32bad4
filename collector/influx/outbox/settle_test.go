package outbox

import (
	"errors"
	"fmt"
	"slices"
	"strconv"
	"strings"
	"sync/atomic"
	"testing"
	"testing/synctest"
	"time"

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"dwindle/collector/health"
	"dwindle/collector/influx/schema"
	"dwindle/collector/reading"
)

// A strict is how a server judges lines: which are bad, and what it says.
type strict struct {
	bad func(line string) bool
	// how an answer is made of the bad lines, of all that were sent
	say func(bad, all []string) said
	// whether the others of the batch are written
	partial bool
}

func (j strict) answer(s *server) func(int, []string) said {
	return func(_ int, lines []string) said {
		bad, good := []string{}, []string{}
		for _, l := range lines {
			if j.bad(l) {
				bad = append(bad, l)
			} else {
				good = append(good, l)
			}
		}
		if len(bad) == 0 {
			return said{status: 204}
		}
		if j.partial {
			s.take(good)
		}
		return j.say(bad, lines)
	}
}

// What InfluxDB 2.8 says; taken from a running one.
func namesLines(bad, _ []string) said {
	var words []string
	for _, l := range bad {
		words = append(words, "unable to parse '"+l+"': invalid number")
	}
	return invalid(strings.Join(words, "\n"))
}

func conflicts(bad, _ []string) said {
	return unprocessable(fmt.Sprintf(`failure writing points to database: partial write: field type conflict: input field "hours" on measurement "run" is type float, already exists as type integer dropped=%d`, len(bad)))
}

func beyond(bad, _ []string) said {
	return unprocessable(fmt.Sprintf(`failure writing points to database: partial write: dropped %d points outside retention policy of duration 24h0m0s - oldest point run,device=a at 2026-11-22T21:52:00Z dropped because it violates a Retention Policy Lower Bound at 2026-11-25T00:52:00.196263398Z, newest point m,d=a at 2026-11-23T22:52:00Z dropped because it violates a Retention Policy Lower Bound at 2026-11-25T00:52:00.196263398Z dropped=%d for database: c3aeebdae13aed6c for retention policy: autogen`, len(bad), len(bad)))
}

func saysNothing(_, _ []string) said { return said{status: 400, body: "bad request"} }

// Exactly the bad points are kept aside, with the server's words, everything
// else is there once, and the server is not asked too often for it.
func TestExactlyTheBadPointsAreKeptAside(t *testing.T) {
	every := func(n int) func(string) bool {
		return func(line string) bool {
			p, ok := partsOf([]byte(line))
			return ok && p.measurement == "run" && int(p.at.Sub(start)/time.Minute)%n == 7
		}
	}
	of := func(device string) func(string) bool {
		return func(line string) bool { return strings.Contains(line, "device="+device+",") }
	}
	before := func(n int) func(string) bool {
		return func(line string) bool {
			p, ok := partsOf([]byte(line))
			return ok && p.measurement == "run" && p.at.Before(start.Add(time.Duration(n)*time.Minute))
		}
	}
	tests := []struct {
		name     string
		judge    strict
		reason   string
		status   int
		words    string
		requests int // at most
		within   time.Duration
	}{
		{"syntax, named", strict{bad: every(200), say: namesLines}, Syntax, 400, "unable to parse: invalid number", 8, time.Minute},
		{"syntax, one device, named", strict{bad: of("belt-q2"), say: namesLines}, Syntax, 400, "invalid number", 8, time.Minute},
		{"refused without a word", strict{bad: every(1000), say: saysNothing}, Syntax, 400, "bad request", 300, 10 * time.Minute},
		{"one device, refused without a word", strict{bad: of("belt-q2"), say: saysNothing}, Syntax, 400, "bad request", 300, 10 * time.Minute},
		{"type conflict, some written", strict{bad: of("belt-q2"), say: conflicts, partial: true}, TypeConflict, 422, `field type conflict: input field "hours"`, 200, 10 * time.Minute},
		{"type conflict, from a time on", strict{bad: before(700), say: conflicts, partial: true}, TypeConflict, 422, "field type conflict", 200, 10 * time.Minute},
		{"type conflict of everything", strict{bad: before(1 << 20), say: conflicts, partial: true}, TypeConflict, 422, "field type conflict", 8, time.Minute},
		{"beyond retention", strict{bad: before(534), say: beyond, partial: true}, BeyondRetention, 422, "", 20, time.Minute},
		{"all beyond retention", strict{bad: before(1 << 20), say: beyond, partial: true}, BeyondRetention, 422, "", 8, time.Minute},
		{"422 without a count", strict{bad: every(1000), say: func(_, _ []string) said { return unprocessable("no") }, partial: true}, Rejected, 422, "unprocessable entity: no", 300, 10 * time.Minute},
	}
	for _, test := range tests {
		t.Run(test.name, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				s := newServer(t)
				s.says(test.judge.answer(s))
				readings := append(append(hours("belt-q1", 800), hours("belt-q2", 800)...), hours("belt-q3", 400)...)
				line := []byte(`usage,point=belt-q1-tail,site=riverside run_hours=7 1772409600000000000`)
				b := newBox(Parcel{Readings: readings}, Parcel{Lines: []Line{{Text: line}}})
				x := work(t, b, s, nil)
				x.drained(test.within)
				bad := 0
				kept := map[string]int{}
				for _, r := range b.refused {
					if test.reason == BeyondRetention {
						require.Equal(t, Refused{Reason: BeyondRetention, Status: 422, Channel: r.Channel, At: r.At}, r, "only counted")
						r.Line = []byte(lineOf(t, readings[slices.IndexFunc(readings, func(x reading.Reading) bool { return x.Channel == r.Channel && x.At.Equal(r.At) })]))
					}
					require.True(t, test.judge.bad(string(r.Line)), "a good point is kept aside: %s", r.Line)
					require.Equal(t, test.reason, r.Reason)
					require.Equal(t, test.status, r.Status)
					require.Contains(t, r.Words, test.words)
					require.Equal(t, reading.RunHours, r.Channel.Quantity)
					require.False(t, r.At.IsZero())
					kept[string(r.Line)]++
				}
				for _, r := range readings {
					line := lineOf(t, r)
					if test.judge.bad(line) {
						bad++
						require.Equal(t, 1, kept[line], "%s of %d", line, len(b.refused))
					}
				}
				require.NotZero(t, bad)
				require.Len(t, b.refused, bad)
				require.Equal(t, len(readings)+1-bad, len(s.lines))
				require.Zero(t, s.rewrites)
				require.LessOrEqual(t, s.asked(), test.requests)
				require.EqualValues(t, bad, x.Stats().Refused[test.reason])
				c := x.check()
				if test.reason == BeyondRetention {
					require.Equal(t, health.Ok, c.Level, c.What)
				} else {
					require.Equal(t, health.Warn, c.Level)
					require.Contains(t, c.What, "refused and kept aside in the last day")
					require.Contains(t, c.Try, "--resend")
				}
				x.stop()
				x.quiet()
			})
		})
	}
}

// Thousands of points that are refused one by one, each of a likeness of its
// own and without a word, do not become thousands of requests a second, and all
// others get there.
func TestALongSearchIsPaced(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		s := newServer(t)
		s.says(strict{bad: func(l string) bool { return strings.Contains(l, "device=bad-") }, say: saysNothing}.answer(s))
		var readings []reading.Reading
		for i := range 200 {
			readings = append(readings, hours(fmt.Sprintf("bad-%d", i), 1)...)
			readings = append(readings, hours(fmt.Sprintf("good-%d", i), 1)...)
		}
		b := newBox(Parcel{Readings: readings})
		x := work(t, b, s, nil)
		x.drained(time.Hour)
		require.Len(t, b.refused, 200)
		require.Equal(t, 200, s.without(schema.Late))
		at := s.at()
		for i := range at {
			in := 0
			for _, other := range at[i:] {
				if other-at[i] < time.Minute {
					in++
				}
			}
			// Those that are refused, with those in between that are taken.
			require.LessOrEqual(t, in, 4*(quickRefusals+60), "requests in the minute from %v", at[i])
		}
		x.stop()
	})
}

// A batch above what the server takes is halved, later ones are smaller from
// the start, and a line that is too large alone is kept aside.
func TestTooLarge(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		const most = 40_000
		s := newServer(t)
		s.says(func(_ int, lines []string) said {
			if len(strings.Join(lines, "\n")) > most {
				return said{status: 413, body: `{"code":"request too large","message":"body"}`}
			}
			return said{status: 204}
		})
		huge := []byte(`usage,site=riverside note="` + strings.Repeat("x", most) + `" 1772409600000000000`)
		b := newBox(Parcel{Readings: hours("belt-q1", 5000), Lines: []Line{{Text: huge}}}, Parcel{Readings: hours("belt-q2", 5000)})
		x := work(t, b, s, nil)
		x.drained(10 * time.Minute)
		require.Equal(t, 10_000, len(s.lines))
		require.Len(t, b.refused, 1)
		require.Equal(t, huge, b.refused[0].Line)
		require.Equal(t, TooLarge, b.refused[0].Reason)
		require.Contains(t, b.refused[0].Words, "request too large: body")
		before := s.asked()
		s.says(func(_ int, lines []string) said {
			require.LessOrEqual(t, len(strings.Join(lines, "\n")), most, "it has learned")
			return said{status: 204}
		})
		b.put(Parcel{Readings: hours("belt-q3", 5000)})
		x.drained(10 * time.Minute)
		require.Greater(t, s.asked(), before+5)
		x.stop()
	})
}

// Where the server answers nothing to large batches and something to small
// ones, it is sent small ones.
func TestTooSlow(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		s := newServer(t)
		s.says(func(_ int, lines []string) said {
			if len(lines) > 700 {
				return said{silent: time.Hour}
			}
			return said{status: 204}
		})
		b := newBox(Parcel{Readings: hours("belt-q1", 5000)})
		x := work(t, b, s, nil)
		x.drained(2 * time.Hour)
		require.Equal(t, 5000, len(s.lines))
		require.LessOrEqual(t, x.lim.rows.Load(), int64(1250))
		x.stop()
	})
}

// A server that ends the connection over large bodies, as one does that has said
// 413 and gone away, is sent smaller ones.
func TestCutOverLargeBodies(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		s := newServer(t)
		s.says(func(_ int, lines []string) said {
			if len(lines) > 300 {
				return said{cut: true}
			}
			return said{status: 204}
		})
		b := newBox(Parcel{Readings: hours("belt-q1", 3000)})
		x := work(t, b, s, nil)
		x.drained(time.Hour)
		require.Equal(t, 3000, len(s.lines))
		require.Empty(t, b.refused)
		x.stop()
	})
}

// A server that fails over one point, whatever is with it, does not hold up all
// others for ever; one that fails over everything does.
func TestAPointThatTheServerFailsOver(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		s := newServer(t)
		fails := said{status: 500, body: `{"code":"internal error","message":"panic: index out of range"}`}
		s.says(func(_ int, lines []string) said {
			if slices.ContainsFunc(lines, func(l string) bool { return strings.Contains(l, "device=bad,") }) {
				return fails
			}
			return said{status: 204}
		})
		b := newBox(Parcel{Readings: append(append(hours("belt-q1", 150), hours("bad", 1)...), hours("belt-q2", 150)...)})
		x := work(t, b, s, nil)
		x.drained(24 * time.Hour)
		require.Equal(t, 300, len(s.lines))
		require.Len(t, b.refused, 1)
		require.Equal(t, "bad", b.refused[0].Channel.Device)
		require.Equal(t, ServerError, b.refused[0].Reason)
		require.Equal(t, "internal error: panic: index out of range", b.refused[0].Words)

		s.says(first(1<<30, fails))
		b.put(Parcel{Readings: hours("belt-q3", 40)})
		lapse(3 * time.Hour)
		require.Len(t, b.refused, 1)
		require.Equal(t, health.Bad, x.check().Level)
		s.says(nil)
		x.drained(time.Hour)
		require.Equal(t, 340, len(s.lines))
		x.stop()
	})
	// Where nothing was taken yet nobody knows whose fault it is.
	synctest.Test(t, func(t *testing.T) {
		s := newServer(t)
		s.says(first(1<<30, said{status: 500}))
		b := newBox(Parcel{Readings: hours("belt-q1", 2)})
		x := work(t, b, s, nil)
		lapse(3 * time.Hour)
		require.Empty(t, b.refused)
		s.says(nil)
		x.drained(time.Hour)
		require.Equal(t, 2, len(s.lines))
		x.stop()
	})
}

// What stands between here and the server may refuse everything with a 400 and
// no reason: then no point is to blame.
func TestARefusalOfEverythingIsNobodysFault(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		s := newServer(t)
		b := newBox(Parcel{Readings: hours("belt-q1", 10)})
		x := work(t, b, s, nil)
		x.drained(time.Minute)
		s.says(first(1<<30, said{status: 400, body: "<html>proxy</html>"}))
		b.put(Parcel{Readings: hours("belt-q2", 100)})
		lapse(time.Hour)
		require.Empty(t, b.refused)
		require.Equal(t, health.Bad, x.check().Level)
		require.Contains(t, x.check().What, "proxy")
		s.says(nil)
		x.drained(10 * time.Minute)
		require.Equal(t, 110, len(s.lines))
		require.Empty(t, b.refused)
		x.stop()
	})
}

// That is so from the beginning, too, as where the url says http: and the port is
// one for TLS: nothing was taken yet that could be compared with.
func TestARefusalOfEverythingFromTheBeginning(t *testing.T) {
	for _, said := range []said{
		{status: 400, body: "Client sent an HTTP request to an HTTPS server.\n"},
		{status: 413, body: "<html>too large</html>"},
		{status: 422, body: "no"},
	} {
		synctest.Test(t, func(t *testing.T) {
			s := newServer(t)
			s.says(first(1<<30, said))
			b := newBox(Parcel{Readings: hours("belt-q1", 100)})
			x := work(t, b, s, nil)
			lapse(time.Hour)
			require.Zero(t, len(b.refused))
			require.Equal(t, health.Bad, x.check().Level)
			require.Less(t, s.asked(), 200)
			s.says(nil)
			x.drained(10 * time.Minute)
			require.Zero(t, len(b.refused))
			x.stop()
			for _, r := range hours("belt-q1", 100) {
				require.Contains(t, s.order, lineOf(t, r))
			}
		})
	}
}

// Whatever lines are bad and however the server tells it, exactly those are
// kept aside.
func TestAnyMixIsSortedOut(t *testing.T) {
	says := []func(bad, all []string) said{namesLines, saysNothing, conflicts, beyond}
	rapid.Check(t, func(rt *rapid.T) {
		n := rapid.IntRange(1, 60).Draw(rt, "rows")
		bad := map[string]bool{}
		var readings []reading.Reading
		for d := range rapid.IntRange(1, 4).Draw(rt, "devices") {
			readings = append(readings, hours(fmt.Sprintf("belt-%d", d), n)...)
		}
		for _, i := range rapid.SliceOfN(rapid.IntRange(0, len(readings)-1), 0, 15).Draw(rt, "bad") {
			bad[lineOf(t, readings[i])] = true
		}
		k := rapid.IntRange(0, len(says)-1).Draw(rt, "says")
		batch := rapid.IntRange(1, 100).Draw(rt, "batch")
		synctest.Test(t, func(t *testing.T) {
			s := newServer(t)
			s.says(strict{bad: func(l string) bool { return bad[l] }, say: says[k], partial: k > 1}.answer(s))
			b := newBox(Parcel{Readings: readings})
			x := work(t, b, s, func(o *Options) { o.BatchRows = batch })
			x.drained(time.Hour)
			require.Len(t, b.refused, len(bad))
			for _, r := range b.refused {
				require.True(t, r.Reason == BeyondRetention || bad[string(r.Line)])
			}
			require.Equal(t, len(readings)-len(bad), s.without(schema.Late))
			x.stop()
		})
	})
}

// What was taken away is deleted first, then everything is written, then the
// change feed is told.
func TestLateRanges(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		s := newServer(t)
		r := hours("belt-q1", 3)
		p := Parcel{Readings: r, Late: 3, Ranges: []Range{
			{Channel: r[0].Channel, From: r[0].At, To: r[2].At, Gone: true},
			{Channel: reading.Channel{Device: `od"d\`, Quantity: reading.PulseCount}, From: r[0].At, To: r[1].At, Gone: true},
			{Channel: reading.Channel{Device: "belt-q2", Quantity: reading.RunHours}, From: r[0].At, To: r[0].At},
			{Channel: reading.Channel{Device: "disp-1"}, Fact: reading.FactChange, From: r[0].At, To: r[0].At, Gone: true},
		}}
		b := newBox(p)
		x := work(t, b, s, nil)
		x.drained(time.Minute)
		require.Equal(t, []string{
			`{"predicate":"_measurement=\"run\" AND channel=\"hours\" AND device=\"belt-q1\" AND site=\"riverside\"","start":"2026-03-02T06:00:00Z","stop":"2026-03-02T06:02:00.000999999Z"}`,
			`{"predicate":"_measurement=\"pulse\" AND channel=\"count\" AND device=\"od\\\"d\\\\\" AND site=\"riverside\"","start":"2026-03-02T06:00:00Z","stop":"2026-03-02T06:01:00.000999999Z"}`,
			`{"predicate":"_measurement=\"fact\" AND channel=\"change\" AND device=\"disp-1\" AND site=\"riverside\"","start":"2026-03-02T06:00:00Z","stop":"2026-03-02T06:00:00.000999999Z"}`,
		}, s.deletes)
		require.Len(t, s.order, 3+4-1, "the odd device cannot be written")
		for i, line := range s.order {
			require.Equal(t, i >= 3, strings.HasPrefix(line, "late,"), "the feed comes last: %s", line)
		}
		require.EqualValues(t, 3, x.Stats().Deleted)
		require.EqualValues(t, 4, x.Stats().Ranges)
		x.stop()
	})
}

// An entry of the change feed that could not be written for long is sent once more
// with the time at which it is.
func TestTheChangeFeedIsFresh(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		s := newServer(t)
		up := time.Now().Add(time.Hour)
		s.says(func(_ int, lines []string) said {
			if strings.HasPrefix(lines[0], "late,") && time.Now().Before(up) {
				return said{status: 503}
			}
			return said{status: 204}
		})
		r := hours("belt-q1", 1)
		b := newBox(Parcel{Readings: r, Late: 1, Ranges: []Range{{Channel: r[0].Channel, From: r[0].At, To: r[0].At}}})
		x := work(t, b, s, nil)
		x.drained(2 * time.Hour)
		require.Equal(t, 3, len(s.order))
		at, err := strconv.ParseInt(s.order[2][strings.LastIndexByte(s.order[2], ' ')+1:], 10, 64)
		require.NoError(t, err)
		require.False(t, time.Unix(0, at).Before(up))
		x.stop()
	})
}

// A receiver that cannot delete goes on without; one that fails is asked again.
func TestAReceiverThatCannotDelete(t *testing.T) {
	for _, test := range []struct {
		said   said
		cannot bool
	}{
		{said{status: 405}, true}, {said{status: 501}, true}, {said{status: 404, body: "no such page"}, true},
		{said{status: 400, body: `unsupported path requested: "/api/v2/delete"`}, true},
		{said{status: 404, body: `{"code":"not found","message":"bucket \"lube\" not found"}`}, false},
		{said{status: 401}, false}, {said{status: 503}, false}, {said{status: 500}, false}, {said{cut: true}, false},
	} {
		t.Run(fmt.Sprint(test.said.status), func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				s := newServer(t)
				asked := 0
				s.remove = func(string) said {
					if asked++; asked == 1 || test.cannot {
						return test.said
					}
					return said{status: 204}
				}
				r := hours("belt-q1", 2)
				gone := Range{Channel: r[0].Channel, From: r[0].At, To: r[1].At, Gone: true}
				b := newBox(Parcel{Readings: r[:1], Ranges: []Range{gone}}, Parcel{Readings: r[1:], Ranges: []Range{gone}})
				x := work(t, b, s, nil)
				x.drained(10 * time.Minute)
				require.Equal(t, 4, len(s.lines))
				if test.cannot {
					require.EqualValues(t, 2, x.Stats().Undeleted)
					require.Equal(t, 1, strings.Count(x.log.String(), "cannot delete"), "said once")
				} else {
					require.EqualValues(t, 2, x.Stats().Deleted)
					require.Equal(t, 3, asked)
				}
				x.stop()
			})
		})
	}
}

// What line protocol has no form for is kept aside, and the rest goes on.
func TestWhatCannotBeWrittenIsKeptAside(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		s := newServer(t)
		r := hours("belt-q1", 3)
		r[1].Quantity = "run.wind"
		b := newBox(Parcel{Readings: r, Facts: []reading.StoredFact{{Fact: reading.Fact{ID: "f1", Kind: reading.FactChange, Device: "disp-1", At: start, Received: start}, Until: start}}})
		x := work(t, b, s, nil)
		x.drained(time.Minute)
		require.Len(t, b.refused, 1)
		require.Equal(t, Unencodable, b.refused[0].Reason)
		require.Equal(t, r[1].Channel, b.refused[0].Channel)
		require.Equal(t, "# run.wind of belt-q1 at 2026-03-02T06:01:00Z", string(b.refused[0].Line))
		require.Equal(t, 4, len(s.lines), "two readings, a fact, and the feed about it")
		x.stop()
	})
}

// Rows are gathered; what is full goes at once.
func TestRowsAreGathered(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		s := newServer(t)
		b := newBox()
		x := work(t, b, s, func(o *Options) { o.BatchRows = 100; o.Every = 20 * time.Second })
		synctest.Wait()
		for i := range 10 {
			b.put(Parcel{Readings: hours(fmt.Sprintf("belt-%d", i), 1)})
			lapse(time.Second)
		}
		require.Zero(t, s.asked())
		x.drained(10 * time.Minute)
		n := s.asked()
		b.put(Parcel{Readings: hours("belt-q1", 1000)})
		lapse(20 * time.Second)
		require.Equal(t, n+10, s.asked(), "full batches follow each other")
		x.stop()
	})
}

// While there is work that should go first, a fourth of the time is taken.
func TestOtherWorkGoesFirst(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		s := newServer(t)
		s.says(func(int, []string) said {
			time.Sleep(100 * time.Millisecond)
			return said{status: 204}
		})
		var parcels []Parcel
		for i := range 10 {
			parcels = append(parcels, Parcel{Readings: hours(fmt.Sprintf("belt-%d", i), 10)})
		}
		var pressed atomic.Bool
		pressed.Store(true)
		b := newBox(parcels...)
		x := work(t, b, s, func(o *Options) { o.Pressed = pressed.Load })
		x.drained(time.Minute)
		at := s.at()
		require.Equal(t, 9*400*time.Millisecond, at[9])
		pressed.Store(false)
		b.put(parcels...)
		x.drained(time.Minute)
		require.Equal(t, 9*100*time.Millisecond, s.at()[19]-s.at()[10])
		x.stop()
	})
}

// Points of a series are sent in the order of the journal, in bounded requests.
func TestOrderAndBounds(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		s := newServer(t)
		var parcels []Parcel
		r := hours("belt-q1", 3000)
		for part := range slices.Chunk(r, 250) {
			parcels = append(parcels, Parcel{Readings: part})
		}
		b := newBox(parcels...)
		x := work(t, b, s, func(o *Options) { o.BatchRows = 250; o.BatchBytes = 9000 })
		x.drained(time.Hour)
		require.Len(t, s.order, len(r))
		for i := range r {
			require.Equal(t, lineOf(t, r[i]), s.order[i])
		}
		for _, n := range s.sizes {
			require.LessOrEqual(t, n*90, 9900)
		}
		require.Greater(t, x.Stats().Bytes, 3*x.Stats().Sent, "gzip")
		x.stop()
	})
}

// A stop waits for the request under way, but not for long; what was not done
// is given again.
func TestStop(t *testing.T) {
	for _, test := range []struct {
		silent time.Duration
		takes  time.Duration // the stop
		left   int
	}{{2 * time.Second, 2 * time.Second, 0}, {time.Hour, stopTime, 1}} {
		synctest.Test(t, func(t *testing.T) {
			s := newServer(t)
			s.says(func(int, []string) said { return said{status: 204, silent: test.silent, takes: true} })
			b := newBox(Parcel{Readings: hours("belt-q1", 3)})
			x := work(t, b, s, nil)
			synctest.Wait()
			began := time.Now()
			x.stop()
			require.InDelta(t, test.takes.Seconds(), time.Since(began).Seconds(), 0.1)
			require.Len(t, b.waiting, test.left)
			require.Zero(t, b.given, "given back")
			require.EqualError(t, x.Run(t.Context()), "outbox.Sender.Run: it ran before; make a new one")
		})
	}
	// In a wait it stops at once.
	synctest.Test(t, func(t *testing.T) {
		s := newServer(t)
		s.says(first(1<<30, said{status: 401}))
		x := work(t, newBox(Parcel{Readings: hours("belt-q1", 3)}), s, nil)
		lapse(10 * time.Second)
		began := time.Now()
		x.stop()
		require.Zero(t, time.Since(began))
	})
}

// A journal that cannot take the note is told, and asked again; nothing more is
// sent meanwhile than what is ready.
func TestTheJournalFails(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		s := newServer(t)
		b := newBox(Parcel{Readings: hours("belt-q1", 3)}, Parcel{Readings: hours("belt-q2", 3)})
		b.failing = errors.New("disk full")
		x := work(t, b, s, nil)
		lapse(5 * time.Minute)
		require.Equal(t, 1, s.asked())
		require.Equal(t, health.Bad, x.check().Level)
		require.Contains(t, x.check().What, "disk full")
		b.mu.Lock()
		b.failing = nil
		b.mu.Unlock()
		x.drained(time.Minute)
		require.Equal(t, 6, len(s.lines))
		require.Equal(t, health.Ok, x.check().Level)
		x.stop()
	})
}

// Being behind is told with how much and since when.
func TestBehind(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		s := newServer(t)
		b := newBox()
		b.backlog = Backlog{Readings: 12345, Estimated: true, Oldest: time.Now().Add(-3 * time.Hour)}
		x := work(t, b, s, nil)
		synctest.Wait()
		c := x.check()
		require.Equal(t, health.Warn, c.Level)
		require.Equal(t, "InfluxDB at influx.test:8086 is behind and catches up; about 12345 wait, the oldest from 3 h ago", c.What)
		require.EqualValues(t, 12345, x.Stats().Backlog)
		require.InDelta(t, 3*3600, x.Stats().Behind.Seconds(), 1)
		x.stop()
		x.Forget()
		require.Empty(t, x.health.List())
	})
}
