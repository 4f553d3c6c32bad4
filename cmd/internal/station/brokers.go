package station

import (
	"context"
	"errors"
	"log/slog"
	"maps"
	"reflect"
	"sync"
	"time"

	"dwindle/cmd/internal/monitor"
	"dwindle/collector/health"
	"dwindle/collector/mqtt"
	"dwindle/collector/reading"
	"dwindle/config"
)

// brokers are the clients of the external brokers, one for each. A client whose
// entry in the site file changes is stopped and made anew; the others do not
// notice.
type brokers struct {
	sink   mqtt.Sink
	note   func(context.Context, ...reading.Notice) error // keeps what happened
	health *health.Checks
	log    *slog.Logger
	notes  sync.WaitGroup // being kept

	mu      sync.Mutex
	running map[string]*runningBroker // by name
}

// runningBroker is one client at work.
type runningBroker struct {
	opt    mqtt.ClientOptions
	client *mqtt.Client
	stop   context.CancelFunc
	ended  chan struct{}
}

func newBrokers(sink mqtt.Sink, note func(context.Context, ...reading.Notice) error, checks *health.Checks, log *slog.Logger) *brokers {
	return &brokers{sink: sink, note: note, health: checks, log: log, running: map[string]*runningBroker{}}
}

// options are what the client of each broker is made from, in the file's order.
func (b *brokers) options(site *config.Site) []mqtt.ClientOptions {
	below := site.Connections.Prefix + "/" + site.ID
	var all []mqtt.ClientOptions
	for _, broker := range site.Brokers() {
		all = append(all, mqtt.ClientOptions{
			Name: broker.Name, Broker: broker, Filters: site.TopicFilters(), ProbeBelow: below, StateDir: site.DataDir(),
		})
	}
	return all
}

// apply brings the clients in line with the site file: those no longer named
// are stopped, changed ones made anew, new ones started. They end with ctx. One
// that cannot be made does not keep the others from running. One call at a time;
// the figures do not wait for a client that takes its time to stop.
func (b *brokers) apply(ctx context.Context, site *config.Site) error {
	wanted := map[string]mqtt.ClientOptions{}
	order := b.options(site)
	for _, opt := range order {
		wanted[opt.Name] = opt
	}
	for name, r := range b.current() {
		if opt, ok := wanted[name]; !ok || !reflect.DeepEqual(opt, r.opt) {
			r.stop()
			<-r.ended
			r.client.Forget()
			b.mu.Lock()
			delete(b.running, name)
			b.mu.Unlock()
			b.log.Info("client of a broker stopped", "broker", name, "anew", ok)
		}
	}
	b.mu.Lock()
	defer b.mu.Unlock()
	if ctx.Err() != nil {
		return ctx.Err() // nobody would wait for those that are started now
	}
	var errs []error
	for _, opt := range order {
		if b.running[opt.Name] != nil {
			continue
		}
		full := opt
		full.Sink, full.Notice, full.Health, full.Log = b.sink, b.notice, b.health, b.log
		client, err := mqtt.NewClient(full)
		if err != nil {
			errs = append(errs, err)
			continue
		}
		run, stop := context.WithCancel(ctx)
		r := &runningBroker{opt: opt, client: client, stop: stop, ended: make(chan struct{})}
		b.running[opt.Name] = r
		go func() {
			defer close(r.ended)
			if err := client.Run(run); err != nil {
				b.log.Error("client of a broker ended", "broker", opt.Name, "err", err)
			}
		}()
	}
	return errors.Join(errs...)
}

// notice keeps what happened to a client, which must not wait for the disk.
func (b *brokers) notice(n reading.Notice) {
	b.notes.Go(func() {
		ctx, cancel := context.WithTimeout(context.Background(), noteTime)
		defer cancel()
		if err := b.note(ctx, n); err != nil {
			b.log.Error("what happened cannot be kept", "kind", n.Kind, "what", n.Words, "err", err)
		}
	})
}

// noteTime bounds the wait for a disk that hangs; a stop waits for it.
const noteTime = 10 * time.Second

// wait returns when all clients have ended, which they do with their context.
func (b *brokers) wait() {
	for _, r := range b.current() {
		<-r.ended
	}
	b.notes.Wait()
}

// current are the clients at work now.
func (b *brokers) current() map[string]*runningBroker {
	b.mu.Lock()
	defer b.mu.Unlock()
	return maps.Clone(b.running)
}

// figures gives what each client has counted, by name.
func (b *brokers) figures() map[string]monitor.Broker {
	now := b.current()
	out := make(map[string]monitor.Broker, len(now))
	for name, r := range now {
		s := r.client.Stats()
		out[name] = monitor.Broker{
			Up: s.Up, Received: s.Received, Repeated: s.Repeated, Connections: s.Connections,
			SessionsLost: s.SessionsLost, Oversize: s.Oversize, Dropped: s.Dropped,
		}
	}
	return out
}
