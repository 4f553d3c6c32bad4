package outbox

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"log/slog"
	"net"
	"slices"
	"strings"
	"sync"
	"sync/atomic"
	"time"

	"dwindle/collector/health"
	"dwindle/collector/influx/schema"
	"dwindle/collector/reading"
)

// Options of New. URL, Organisation, Bucket, Site and Outbox are needed.
type Options struct {
	URL                  string // http:// or https://, without an account
	Organisation, Bucket string
	// TokenFile holds the token; it is read anew for each request. Empty: the
	// server wants none.
	TokenFile string
	// CAFile holds the authorities to be trusted; empty: those of the system.
	CAFile string
	// Proxy for HTTP; empty: none, whatever the environment says.
	Proxy string

	// Site is the id of the site, a tag of every point.
	Site string
	// BatchRows and BatchBytes (of line protocol, before gzip) bound a request.
	// Zero: 5000 and 1,000,000.
	BatchRows, BatchBytes int
	// Every is how long rows are gathered once all is sent. Zero: 10 s.
	Every time.Duration
	// Beat is how often it is written how far all is written, once nothing waits,
	// so that who reads knows a silent plant from a sender that is cut off. Zero:
	// it is not.
	Beat time.Duration

	// Pressed says that there is other work that should go first, the intake's:
	// then it is sent a fourth of the time only. nil: there never is.
	Pressed func() bool

	Outbox Outbox
	Health *health.Checks
	Log    *slog.Logger
	// Now is the time by which readings are stamped when they are received: what
	// is dated here follows it, should the clock of the machine be wrong. Nil: that
	// clock.
	Now func() time.Time

	// dial, in tests, connects to a server of theirs.
	dial  func(ctx context.Context, network, addr string) (net.Conn, error)
	times times // zero: usualTimes
}

// The defaults of Options.
const (
	DefaultBatchRows  = 5000
	DefaultBatchBytes = 1_000_000
	DefaultEvery      = 10 * time.Second
)

const (
	// stopTime bounds how long a stop waits for the request under way: what is
	// not answered by then comes again.
	stopTime = 5 * time.Second
	// journalWait is how long is waited after the journal could not be read or
	// written.
	journalWait = 10 * time.Second
	// yieldMost bounds a pause that is made for other work.
	yieldMost = 2 * time.Second
	// feedFresh is how old an entry of the change feed may be when it is written.
	feedFresh = time.Minute
	// lookEvery is how often the backlog is counted and health told of it.
	lookEvery = 15 * time.Second
)

// Sender writes what an outbox holds to InfluxDB, for as long as it runs.
type Sender struct {
	opt   Options
	to    *receiver
	stats counters
	state state
	lim   *limits
	ran   atomic.Bool

	// hard ends a stopTime after the context of Run: what is under way may
	// finish until then.
	hard context.Context
	// cannotDelete has been said.
	cannotDelete atomic.Bool
	look         chan struct{} // for watch to count the backlog now
}

// New checks the options; Run connects.
func New(opt Options) (*Sender, error) {
	switch {
	case opt.Outbox == nil:
		return nil, errors.New("outbox.New: no outbox")
	case opt.Site == "":
		return nil, errors.New("outbox.New: no site")
	case opt.Organisation == "" || opt.Bucket == "":
		return nil, errors.New("the organisation or the bucket of InfluxDB is missing\ntry: organisation: and bucket: under stores.influx")
	case opt.BatchRows < 0 || opt.BatchBytes < 0 || opt.Every < 0:
		return nil, errors.New("outbox.New: a bound below zero")
	}
	if opt.BatchRows == 0 {
		opt.BatchRows = DefaultBatchRows
	}
	if opt.BatchBytes == 0 {
		opt.BatchBytes = DefaultBatchBytes
	}
	if opt.Every == 0 {
		opt.Every = DefaultEvery
	}
	if opt.times == (times{}) {
		opt.times = usualTimes
	}
	if opt.Log == nil {
		opt.Log = slog.New(slog.DiscardHandler)
	}
	if opt.Now == nil {
		opt.Now = time.Now
	}
	s := &Sender{opt: opt, lim: newLimits(opt.BatchRows, opt.BatchBytes), look: make(chan struct{}, 1)}
	var err error
	if s.to, err = newReceiver(opt, &s.stats); err != nil {
		return nil, err
	}
	return s, nil
}

// Run writes until ctx ends, once. Then the request under way has a few seconds
// to be answered; what is not comes again. It returns nil, or that it cannot run.
func (s *Sender) Run(ctx context.Context) error {
	if s.ran.Swap(true) {
		return errors.New("outbox.Sender.Run: it ran before; make a new one")
	}
	var end context.CancelFunc
	s.hard, end = context.WithCancel(context.WithoutCancel(ctx))
	defer end()
	var workers sync.WaitGroup
	workers.Go(func() {
		select {
		case <-s.hard.Done():
			return
		case <-ctx.Done():
		}
		pause(s.hard, stopTime)
		end()
	})
	defer workers.Wait()
	defer end()
	defer s.to.close()

	jobs := make(chan *job) // one is written, one is ready
	workers.Go(func() { defer close(jobs); s.prepare(ctx, jobs) })
	workers.Go(func() { s.watch(ctx) })
	w := &settler{s: s, pace: newPacer(), lim: s.lim}
	for j := range jobs {
		began := time.Now()
		if err := s.deliver(ctx, w, j); err != nil {
			break // ctx has ended
		}
		if opt := &s.opt; opt.Pressed != nil && opt.Pressed() {
			pause(ctx, min(3*time.Since(began), yieldMost))
		}
	}
	for range jobs { // the preparing ends with ctx
	}
	s.opt.Outbox.Back()
	return nil
}

// job is a parcel with its rows.
type job struct {
	parcel  Parcel
	rows    []row
	refused []Refused
	upto    time.Time // all that was stored by then is in it or before it; zero: not to be written
	s       *Sender
}

// aside keeps a row that was refused.
func (j *job) aside(r row, status int, reason, words string) {
	if r.kind == ofBeat {
		return // the next will do
	}
	j.s.stats.refuse(reason, 1)
	out := Refused{Line: bytes.Clone(r.text), Reason: reason, Status: status, Words: words}
	switch r.kind {
	case ofReading:
		of := &j.parcel.Readings[r.of]
		out.Channel, out.At = of.Channel, of.At
		if out.Line == nil { // a comment in line protocol, to be told from others
			out.Line = fmt.Appendf(nil, "# %s of %s at %s", of.Quantity, of.Device, of.At.UTC().Format(time.RFC3339Nano))
		}
	case ofFact:
		out.Fact = j.parcel.Facts[r.of].ID
		if out.Line == nil {
			out.Line = fmt.Appendf(nil, "# fact %q", out.Fact)
		}
	}
	if reason == BeyondRetention {
		// It is in the journal, and was to end at the receiver.
		out.Line, out.Words = nil, ""
	}
	j.refused = append(j.refused, out)
	j.s.state.refused(reason, words)
	if status != 0 {
		j.s.recovered() // the receiver is not to blame
	}
}

// prepare reads parcels and makes rows of them, one ahead of what is written.
func (s *Sender) prepare(ctx context.Context, jobs chan<- *job) {
	enc := schema.NewEncoder(s.opt.Site)
	var beat time.Time // the last
	due := func(now time.Time) bool { return s.opt.Beat > 0 && now.Sub(beat) >= s.opt.Beat }
	for ctx.Err() == nil {
		began, stored := time.Now(), s.opt.Now()
		most := int(s.lim.rows.Load())
		parcel, err := s.opt.Outbox.Next(ctx, most)
		switch {
		case err != nil:
			if ctx.Err() == nil {
				s.journalFails("read what waits for InfluxDB from the journal", err)
				pause(ctx, journalWait)
			}
			continue
		case parcel.Empty() && !due(began):
			var next <-chan time.Time
			if s.opt.Beat > 0 {
				next = time.After(s.opt.Beat - began.Sub(beat))
			}
			select {
			case <-ctx.Done():
			case <-s.opt.Outbox.Ready():
				pause(ctx, s.opt.Every)
			case <-next:
			}
			continue
		}
		j := &job{parcel: parcel, s: s}
		if !parcel.More && due(began) {
			j.upto, beat = stored, began
		}
		j.encode(enc)
		select {
		case <-ctx.Done():
			return
		case jobs <- j:
		}
		if !parcel.More && !parcel.Empty() {
			// That was all: gather some before the next.
			pause(ctx, s.opt.Every-time.Since(began))
		}
	}
}

// encode makes the rows of a parcel. What line protocol has no form for is
// refused here.
func (j *job) encode(enc *schema.Encoder) {
	p := &j.parcel
	n := len(p.Readings) + len(p.Facts) + len(p.Lines)
	j.rows = make([]row, 0, n)
	ends := make([]int, 0, n)
	text := make([]byte, 0, len(p.Readings)*128+len(p.Facts)*512)
	add := func(kind rowKind, of int, next []byte, err error) {
		if err != nil {
			j.aside(row{kind: kind, of: int32(of)}, 0, Unencodable, clean(err.Error(), ""))
			return
		}
		text = next
		j.rows = append(j.rows, row{kind: kind, of: int32(of)})
		ends = append(ends, len(text))
	}
	for i := range p.Readings {
		next, err := enc.Reading(text, &p.Readings[i])
		add(ofReading, i, next, err)
	}
	for i := range p.Facts {
		next, err := enc.StoredFact(text, &p.Facts[i])
		add(ofFact, i, next, err)
	}
	begin := 0
	for i := range j.rows {
		j.rows[i].text = bytes.TrimRight(text[begin:ends[i]], "\n")
		begin = ends[i]
	}
	for i := range p.Lines {
		if line := bytes.TrimRight(p.Lines[i].Text, "\n"); len(line) > 0 {
			j.rows = append(j.rows, row{text: line, kind: ofLine, of: int32(i)})
		}
	}
}

// deliver brings a parcel to the receiver and notes that in the journal. An error
// says that ctx has ended.
func (s *Sender) deliver(ctx context.Context, w *settler, j *job) error {
	return inOrder(func() error { return s.hand(ctx, w, j) }, func() error { return s.note(ctx, j) })
}

// hand takes away what is gone at the receiver, writes the rows, then tells the
// change feed of what was late.
func (s *Sender) hand(ctx context.Context, w *settler, j *job) error {
	w.out = j
	for i := range j.parcel.Ranges {
		if j.parcel.Ranges[i].Gone {
			w.sound = w.sound[:0]
			if err := s.takeAway(ctx, &j.parcel.Ranges[i]); err != nil {
				return err
			}
		}
	}
	for rest := j.rows; len(rest) > 0; {
		n := s.lim.cut(rest)
		if err := w.write(ctx, rest[:n]); err != nil {
			return err
		}
		rest = rest[n:]
	}
	// Who follows the feed looks for what is newer than the newest seen, which may
	// be of another gateway. So an entry must not get there long after its time.
	for fresh := false; !fresh; {
		began := time.Now()
		if err := w.write(ctx, s.feed(j)); err != nil {
			return err
		}
		fresh = time.Since(began) < feedFresh
	}
	s.stats.ranges.Add(int64(len(j.parcel.Ranges)))
	if j.upto.IsZero() {
		return nil
	}
	text, err := schema.NewEncoder(s.opt.Site).Forwarded(nil, j.upto, s.sentAt())
	if err != nil { // as every other row of this site
		return nil
	}
	return w.write(ctx, []row{{text: bytes.TrimRight(text, "\n"), kind: ofBeat}})
}

// note has the journal go on behind a parcel: it is with the receiver, so that
// is done even when the stop has begun.
func (s *Sender) note(ctx context.Context, j *job) error {
	if j.parcel.Empty() {
		return nil
	}
	for {
		err := s.opt.Outbox.Done(s.hard, j.parcel, j.refused)
		if err == nil {
			break
		}
		s.journalFails("note in the journal what InfluxDB has taken", err)
		if !pause(ctx, journalWait) {
			return ctx.Err()
		}
	}
	if len(j.refused) > 0 {
		s.tell()
	}
	if !j.parcel.More {
		s.lookAgain()
	}
	return nil
}

// cut says how many rows the next request takes.
func (l *limits) cut(rows []row) int {
	most, bytes := l.rows.Load(), l.bytes.Load()
	for i := range rows {
		bytes -= int64(len(rows[i].text)) + 1
		if int64(i) >= most || bytes < 0 && i > 0 {
			return i
		}
	}
	return len(rows)
}

// put sends one request.
func (s *Sender) put(text string, rows int) answer {
	s.stats.requests.Add(1)
	a := s.to.put(s.hard, text)
	if a.reaction() == written {
		s.stats.wrote(rows, time.Now())
		s.recovered()
	}
	return a
}

// takeAway deletes a range at the receiver. One that has no such call keeps it,
// which is counted and said.
func (s *Sender) takeAway(ctx context.Context, r *Range) error {
	from, to := bounds(r)
	to = to.Add(time.Millisecond - time.Nanosecond) // what has ids stands between milliseconds
	if r.Fact != "" && r.Device == "" {
		// Predicates have no word for a tag that is missing; but a fact has a
		// nanosecond of its own.
		if r.ID == "" {
			s.stats.undeleted.Add(1)
			return nil
		}
		from = from.Add(schema.Slot(r.ID))
		to = from
	}
	predicate := s.predicate(r)
	for try := 0; ; try++ {
		if err := ctx.Err(); err != nil {
			return err
		}
		a := s.to.delete(s.hard, from, to, predicate)
		switch {
		case a.reaction() == written:
			s.stats.deleted.Add(1)
			s.recovered()
			return nil
		case a.cannotDelete():
			s.stats.undeleted.Add(1)
			if !s.cannotDelete.Swap(true) {
				s.opt.Log.Warn("the receiver cannot delete: readings that were taken back here stay there; they are counted",
					"receiver", s.to.host, "status", a.status, "says", a.words())
			}
			return nil
		}
		wait := s.opt.times.after(a, try, time.Now())
		s.failing(a, wait)
		if !pause(ctx, wait) {
			return ctx.Err()
		}
		s.stats.retried.Add(1)
	}
}

// bounds are those of a range, in whole milliseconds, within what can be written.
func bounds(r *Range) (from, to time.Time) {
	first, last := time.Unix(0, 0), time.Date(2200, 1, 1, 0, 0, 0, 0, time.UTC)
	within := func(t time.Time) time.Time {
		if t.Before(first) {
			t = first
		}
		if t.After(last) {
			t = last
		}
		return t.UTC().Truncate(time.Millisecond)
	}
	return within(r.From), within(r.To)
}

// cannotDelete says that an answer is none that time would change: the call is
// not known there, or is not understood.
func (a answer) cannotDelete() bool {
	switch a.status {
	case 400, 405, 422, 501:
		return true
	case 404:
		// InfluxDB says it about the bucket or the organisation, in JSON.
		return a.code == ""
	}
	return false
}

// predicate selects one channel, or the facts of a kind of one device.
func (s *Sender) predicate(r *Range) string {
	measurement, channel, _ := strings.Cut(string(r.Quantity), ".")
	if r.Fact != "" {
		measurement, channel = schema.Fact, string(r.Fact)
	}
	quote := strings.NewReplacer(`\`, `\\`, `"`, `\"`)
	if r.Device == "" {
		return fmt.Sprintf(`_measurement="%s" AND channel="%s" AND site="%s"`, quote.Replace(measurement), quote.Replace(channel), quote.Replace(s.opt.Site))
	}
	return fmt.Sprintf(`_measurement="%s" AND channel="%s" AND device="%s" AND site="%s"`,
		quote.Replace(measurement), quote.Replace(channel), quote.Replace(r.Device), quote.Replace(s.opt.Site))
}

// lastSent is the time of the last point of the change feed, in ns: no two share
// one, also not those of two senders one after the other.
var lastSent atomic.Int64

// sentBack is how far the time may go back for what is dated to go on from the
// last; a step of more has put right a clock that was wrong.
const sentBack = time.Hour

func (s *Sender) sentAt() time.Time {
	for {
		last, now := lastSent.Load(), s.opt.Now().UnixNano()
		if last-now < int64(sentBack) {
			now = max(now, last+1)
		}
		if lastSent.CompareAndSwap(last, now) {
			return time.Unix(0, now).UTC()
		}
	}
}

// surelyRight makes a line that no receiver of points finds a fault with: an entry
// of the change feed that nothing has changed.
func (s *Sender) surelyRight() []byte {
	at := s.sentAt()
	text, err := schema.AppendRange(nil, s.opt.Site, reading.Channel{Quantity: schema.FactChannel}, at, at, at)
	if err != nil { // as every other row of this site
		return nil
	}
	return bytes.TrimRight(text, "\n")
}

// feed makes the rows of the change feed, once what they tell of is written.
func (s *Sender) feed(j *job) []row {
	var rows []row
	add := func(ch reading.Channel, from, to time.Time) {
		text, err := schema.AppendRange(nil, s.opt.Site, ch, from, to, s.sentAt())
		if err != nil { // of readings that could not be written either
			return
		}
		rows = append(rows, row{text: bytes.TrimRight(text, "\n"), kind: ofFeed})
	}
	for i := range j.parcel.Ranges {
		r := &j.parcel.Ranges[i]
		ch := r.Channel
		if r.Fact != "" {
			ch = reading.Channel{Quantity: schema.FactChannel}
		}
		from, to := bounds(r)
		add(ch, from, to)
	}
	for _, x := range factRanges(j.parcel.Facts) {
		add(reading.Channel{Quantity: schema.FactChannel}, x[0], x[1])
	}
	return rows
}

// Facts that lie so near each other are one entry of the change feed, and a
// parcel has so many for its facts at most: who reads asks about each.
const (
	factsNear       = time.Hour
	factEntriesMost = 32
)

// factRanges gives the stretches in which facts lie, in order: from the widest
// gaps between them.
func factRanges(facts []reading.StoredFact) [][2]time.Time {
	if len(facts) == 0 {
		return nil
	}
	at := make([]time.Time, len(facts))
	for i := range facts {
		at[i] = facts[i].At
	}
	slices.SortFunc(at, time.Time.Compare)
	var gaps []time.Duration
	for i := 1; i < len(at); i++ {
		if gap := at[i].Sub(at[i-1]); gap > factsNear {
			gaps = append(gaps, gap)
		}
	}
	least := factsNear
	if len(gaps) >= factEntriesMost {
		slices.Sort(gaps)
		least = gaps[len(gaps)-factEntriesMost]
	}
	out := [][2]time.Time{{at[0], at[0]}}
	for i := 1; i < len(at); i++ {
		if at[i].Sub(at[i-1]) > least {
			out = append(out, [2]time.Time{at[i], at[i]})
		}
		out[len(out)-1][1] = at[i]
	}
	return out
}
