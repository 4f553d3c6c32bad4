package mqtt

import (
	"sync"
	"sync/atomic"

	mochi "github.com/mochi-mqtt/server/v2"
	"github.com/mochi-mqtt/server/v2/packets"
	"golang.org/x/sync/semaphore"

	"dwindle/config"
)

// publisher is the book of one connection's publishes that still need their
// answer: PUBACK for QoS 1, PUBREC for QoS 2.
type publisher struct {
	server *Server
	client *mochi.Client
	slots  *semaphore.Weighted // bounds what is unanswered
	qos    byte                // of the packet being read, as it was sent; reader's goroutine only

	rights atomic.Pointer[siteRights] // nil until they are asked for

	mu      sync.Mutex
	waiting map[uint16]waiting
	answers []byte // encoded, to be written
	writing bool   // a goroutine is writing answers
	gone    bool
}

// waiting is one packet id without an answer.
type waiting struct {
	copies int // messages received under this id and not yet committed
	qos    byte
}

// siteRights are an account's rights by one site file.
type siteRights struct {
	site *config.Site
	*rights
}

// rightsNow are the account's rights by the site file in force.
func (p *publisher) rightsNow() *rights {
	site := p.server.opt.Site()
	if have := p.rights.Load(); have != nil && have.site == site {
		return have.rights
	}
	r := &siteRights{site, rightsOf(site, string(p.client.Properties.Username))}
	p.rights.Store(r)
	return r.rights
}

func newPublisher(s *Server, cl *mochi.Client) *publisher {
	return &publisher{server: s, client: cl, slots: semaphore.NewWeighted(maxUnanswered), waiting: map[uint16]waiting{}}
}

// begin notes that a packet was received. A second one under the same id,
// before the first is answered, shares its answer: two answers would let the
// second one acknowledge a later packet that uses the id again.
func (p *publisher) begin(id uint16, qos byte) {
	p.mu.Lock()
	defer p.mu.Unlock()
	w := p.waiting[id]
	w.copies++
	w.qos = qos
	p.waiting[id] = w
}

// finish notes that a packet was committed, or with an error that it was not
// taken. It never blocks: it is called by whoever commits.
func (p *publisher) finish(id uint16, err error) {
	if err != nil {
		// An MQTT 3.1.1 client sends again only on a new connection.
		p.client.Stop(err)
		return
	}
	p.mu.Lock()
	defer p.mu.Unlock()
	w := p.waiting[id]
	if w.copies--; w.copies > 0 {
		p.waiting[id] = w
		return
	}
	delete(p.waiting, id)
	if p.gone {
		return
	}
	kind := packets.Puback
	if w.qos == 2 {
		kind = packets.Pubrec
	}
	// In MQTT 5 too an answer of this length means success.
	p.answers = append(p.answers, kind<<4, 2, byte(id>>8), byte(id))
	if !p.writing && p.server.beginAnswer() {
		p.writing = true
		go p.write()
	}
}

// write sends the answers that have piled up and ends when there are none:
// one write for a whole batch, and no goroutine for an idle connection.
func (p *publisher) write() {
	defer p.server.answerWG.Done()
	for {
		p.mu.Lock()
		out := p.answers
		p.answers = nil
		if len(out) == 0 || p.gone {
			p.writing = false
			p.mu.Unlock()
			return
		}
		p.mu.Unlock()
		// Whole packets in one write go between those of the broker: a
		// connection's writes do not mix.
		if _, err := p.client.Net.Conn.Write(out); err != nil {
			p.client.Stop(err) // it sends again on its next connection
			p.leave()
		}
	}
}

func (p *publisher) leave() {
	p.mu.Lock()
	defer p.mu.Unlock()
	p.gone = true
	p.answers = nil
}

// beginAnswer counts a goroutine that writes answers; false once the server
// is closed.
func (s *Server) beginAnswer() bool {
	s.mu.Lock()
	defer s.mu.Unlock()
	if s.closed {
		return false
	}
	s.answerWG.Add(1)
	return true
}
