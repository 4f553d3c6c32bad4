package station

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"net"
	"net/http"
	"reflect"
	"time"

	"golang.org/x/sync/errgroup"

	"dwindle/alerts/board"
	"dwindle/alerts/ledger"
	"dwindle/cmd/internal/monitor"
	"dwindle/cmd/internal/systemd"
	"dwindle/collector/decode"
	"dwindle/collector/health"
	"dwindle/collector/influx/mirror"
	"dwindle/collector/mqtt"
	"dwindle/collector/sparkplug"
	"dwindle/collector/sparkplug/session"
	"dwindle/config"
)

// Options of Serve.
type Options struct {
	Log *slog.Logger
	// Reload gives a signal for each wish to read the site file again. Nil:
	// never.
	Reload <-chan struct{}
	// Ready, if set, is called once everything is up, with the addresses that
	// the listeners really have.
	Ready func(Addresses)
	// HoldWatch, if set, keeps the watch from looking by itself until it is
	// closed; a history is fed and looked through day by day first.
	HoldWatch <-chan struct{}
	// Now is the clock; nil is the real one.
	Now func() time.Time
	// Manager is told how the service does; nil: nobody.
	Manager *systemd.Notifier
	// Version of the program, for the monitor.
	Version string
	// Source opens what a working copy is filled from; nil: InfluxDB, as the
	// site file says.
	Source func(*config.Site) (mirror.Source, error)
}

// Addresses are where a serving station can be reached.
type Addresses struct {
	Broker  string // embedded broker, empty if none
	Board   string // pages, empty if none
	Monitor string // figures and probes, empty if none
}

// evaluateEvery is how often the watch looks without being asked: often
// enough that silence of an hour is noticed in time.
const evaluateEvery = 5 * time.Minute

// Serve runs what the site file asks for until ctx ends, then stops in order:
// no new messages, commit what was taken, acknowledge it, close the stores.
//
// Where a store is found damaged meanwhile, it is put aside and serving begins
// anew; brokers keep what is not acknowledged.
func Serve(ctx context.Context, site *config.Site, opt Options) error {
	var broken *brokenStore
	for n := 0; ; n++ {
		opened := extending(func(by time.Duration) error {
			return errors.Join(opt.Manager.Alive(), opt.Manager.Extend(by))
		}, processMoved)
		c, err := newStation(ctx, site, opt, broken)
		opened()
		if err != nil {
			return err
		}
		err, closed := c.Run(ctx), c.Close()
		if ctx.Err() != nil || n == replacedMost || !errors.As(err, &broken) {
			return errors.Join(err, closed)
		}
		site = c.site.Load()
	}
}

// replacedMost bounds how often a process replaces a store: a disk that ruins
// one after the other is for people to look at.
const replacedMost = 3

// Run serves until ctx ends: brokers, control socket, pages, watch.
func (c *Station) Run(ctx context.Context) error {
	c.serving = ctx
	group, gctx := errgroup.WithContext(ctx)
	at, err := c.start(group, gctx)
	if err != nil {
		group.Go(func() error { return err }) // ends what has been started
	} else {
		c.tell(c.opt.Manager.Ready())
		if c.opt.Ready != nil {
			c.opt.Ready(at)
		}
	}
	if err := group.Wait(); err != nil && !errors.Is(err, context.Canceled) {
		return err
	}
	return nil
}

// start begins all parts; each ends with ctx.
func (c *Station) start(group *errgroup.Group, gctx context.Context) (at Addresses, err error) {
	site, opt := c.site.Load(), c.opt
	clients := newBrokers(c.intake.Submit, c.journal.Note, c.health, opt.Log)
	group.Go(func() error {
		<-gctx.Done()
		clients.wait()
		return nil
	})
	c.opens(clients.figures)
	if err := clients.apply(gctx, site); err != nil {
		return at, err
	}
	if b := site.Embedded(); b != nil {
		server, err := mqtt.NewServer(mqtt.ServerOptions{
			Listen: b.Listen, AccountsFile: b.AccountsFile, TLS: b.TLS, Site: c.site.Load,
			Prefix: site.Connections.Prefix, Wants: func(topic string) bool { return c.site.Load().Wants(topic) },
			Sink: c.intake.Submit, Health: c.health, Log: opt.Log,
		})
		if err != nil {
			return at, err
		}
		at.Broker = server.Addr()
		c.opens(func() map[string]monitor.Broker {
			s := server.Stats()
			return map[string]monitor.Broker{"embedded": {Up: s.Up, Received: s.Received, Repeated: s.Repeated, Connections: s.Connections, Dropped: -1}}
		})
		group.Go(func() error { return server.Run(gctx) })
	}
	if broker, ok := site.SparkplugBroker(); ok {
		host := site.Connections.Sparkplug
		client, err := session.New(session.Options{
			Broker: broker, Host: sparkplug.Options{ID: host.HostID, Primary: host.Primary, Reorder: host.Reorder}, Groups: host.Groups,
			Wants: func(topic string) bool { return c.site.Load().Maps(topic) },
			Sink:  c.intake.Submit, Health: c.health, Log: opt.Log,
		})
		if err != nil {
			return at, err
		}
		c.opens(func() map[string]monitor.Broker {
			s := client.Stats()
			return map[string]monitor.Broker{"sparkplug host": {Up: s.Up, Received: s.Received, Connections: s.Connections, Dropped: -1}}
		})
		c.host.Store(client)
		group.Go(func() error { return client.Run(gctx) })
	}
	group.Go(func() error {
		<-gctx.Done()
		c.forward.wait()
		return nil
	})
	if err := c.forward.apply(gctx, site); err != nil {
		return at, err
	}
	socket, err := listenSocket(site.DataDir())
	if err != nil {
		return at, err
	}
	// A replay may take as long as its log is long: no bounds on requests.
	serveHTTP(group, gctx, socket, &http.Server{Handler: control(gctx, c)})

	if b := site.Connections.Board; b != nil {
		l, err := net.Listen("tcp", b.Listen)
		if err != nil {
			return at, fmt.Errorf("open the pages at %s: %w\ntry: another listen: under connections.board:", b.Listen, err)
		}
		at.Board = l.Addr().String()
		serveHTTP(group, gctx, l, &http.Server{
			Handler:     board.New(boardSource{c}, board.Options{Now: func() time.Time { now, _ := c.now(); return now }}),
			ReadTimeout: 15 * time.Second, WriteTimeout: time.Minute, // pages are small; a reader that stalls is cut off
		})
	}
	if m := site.Connections.Monitor; m != nil {
		l, err := net.Listen("tcp", m.Listen)
		if err != nil {
			return at, fmt.Errorf("open the monitor at %s: %w\ntry: another listen: under connections.monitor:", m.Listen, err)
		}
		at.Monitor = l.Addr().String()
		// A profile takes as long as it was asked to.
		serveHTTP(group, gctx, l, &http.Server{Handler: monitor.New(c), ReadTimeout: 15 * time.Second, WriteTimeout: 5 * time.Minute})
	}
	if c.mirror != nil {
		group.Go(func() error { return c.mirror.Run(gctx, max(site.Influx().Every, syncLeast)) })
	}
	group.Go(func() error { return c.pulse(gctx) })
	group.Go(func() error { return c.evaluate(gctx) })
	group.Go(func() error { return c.troubles(gctx) })
	group.Go(func() error { return c.learn(gctx) })
	group.Go(func() error { return c.reload(gctx, opt.Reload, clients) })
	group.Go(func() error { return c.intakeLives(gctx) })
	group.Go(func() error { return c.storesLive(gctx) })
	group.Go(func() error { return c.salvage(gctx) })
	group.Go(func() error { return c.snapshots(gctx) })
	group.Go(func() error { return c.age(gctx) })
	return at, nil
}

// intakeLives ends the serving when the intake has ended by itself: a station
// that takes nothing must not look as if it did.
func (c *Station) intakeLives(ctx context.Context) error {
	select {
	case <-ctx.Done():
		return ctx.Err()
	case <-c.ended:
		if c.err == nil {
			return errors.New("the intake has ended")
		}
		return c.err
	}
}

// Bounds of a stop: how long answers under way may take, and how long a request
// may then take to notice that its context has ended.
const (
	answerGrace = 5 * time.Second
	endGrace    = 2 * time.Second
)

// serveHTTP serves a listener until ctx ends, then lets answers under way
// finish, within bounds: nothing of them is left when the group has ended.
func serveHTTP(group *errgroup.Group, ctx context.Context, l net.Listener, srv *http.Server) {
	requests, end := context.WithCancel(context.WithoutCancel(ctx))
	srv.ReadHeaderTimeout, srv.IdleTimeout, srv.MaxHeaderBytes = 5*time.Second, 2*time.Minute, 32<<10
	srv.BaseContext = func(net.Listener) context.Context { return requests }
	group.Go(func() error {
		if err := srv.Serve(l); !errors.Is(err, http.ErrServerClosed) {
			return fmt.Errorf("serve %s: %w", l.Addr(), err)
		}
		return nil
	})
	group.Go(func() error {
		defer end()
		<-ctx.Done()
		if shutdown(srv, answerGrace) == nil {
			return nil
		}
		end()
		if shutdown(srv, endGrace) != nil {
			_ = srv.Close() // whoever still reads has lost nothing that was promised
		}
		return nil
	})
}

func shutdown(srv *http.Server, within time.Duration) error {
	ctx, cancel := context.WithTimeout(context.Background(), within)
	defer cancel()
	return srv.Shutdown(ctx)
}

// now is the time by which forecasts are made: the clock of the options, else
// this machine's as far as it can be believed.
func (c *Station) now() (time.Time, bool) {
	if c.ownClock {
		return c.intake.Now()
	}
	return c.opt.Now(), true
}

// evaluate forecasts and lets the watch look, after new readings and on a
// timer. A pass that fails is told in health and tried again; it does not end
// the collector.
func (c *Station) evaluate(ctx context.Context) error {
	if c.opt.HoldWatch != nil {
		select {
		case <-ctx.Done():
			return ctx.Err()
		case <-c.opt.HoldWatch:
		}
	}
	events, stop := c.intake.Watch()
	defer stop()
	changed := make(chan struct{}, 1) // full: a pass is due anyway
	go func() {
		for range events {
			select {
			case changed <- struct{}{}:
			default:
			}
		}
	}()
	return c.watch.Loop(ctx, evaluateEvery, changed, func(ctx context.Context) error {
		now, ok := c.now()
		if !ok || now.Year() < decode.EarliestYear {
			c.health.Set("forecast", health.Warn, "the clock of this machine is not set: forecasts and alarms wait for it", "set the clock, or see why it is not synchronised")
			return nil
		}
		if now, ok = c.asOf(now); !ok {
			c.health.Set("forecast", health.Warn, "forecasts and alarms wait until the working copy is complete", "see the check "+mirror.CheckName)
			return nil
		}
		if _, err := c.Pass(ctx, now.UTC()); err != nil {
			if ctx.Err() != nil {
				return ctx.Err()
			}
			if errors.Is(err, ledger.ErrDamaged) {
				return &brokenStore{ledgerStore, err}
			}
			c.health.Set("forecast", health.Bad, "forecasts and alarms are not being updated: "+err.Error(), "read the log; the collector goes on storing")
			return nil
		}
		c.health.Set("forecast", health.Ok, "", "")
		return nil
	})
}

// reload reads the site file again whenever asked. A faulty one is told and
// the old one kept.
func (c *Station) reload(ctx context.Context, wish <-chan struct{}, clients *brokers) error {
	for again := false; ; again = true {
		if again {
			c.tell(c.opt.Manager.Ready())
		}
		select {
		case <-ctx.Done():
			return ctx.Err()
		case <-wish:
		}
		c.tell(c.opt.Manager.Reloading())
		old := c.site.Load()
		site, err := config.Load(old.Path())
		if err != nil {
			c.log.Error("site file is faulty; the old one stays in force", "file", old.Path(), "err", err)
			c.health.Set("site file", health.Warn, "the site file on disk is faulty; the one read before is in force: "+err.Error(), "dwindle check -c "+old.Path()+", then send SIGHUP again")
			continue
		}
		switch key := needsRestart(old, site); key {
		case "":
			c.health.Set("site file", health.Ok, "", "")
		case "connections":
			c.log.Warn("changed connections take effect at the next start", "file", site.Path())
			// Messages go on coming over the old ones, so they are also decoded
			// by the old prefix.
			is := site.Connections
			site.Connections = old.Connections
			site.Connections.Broker, site.Connections.Brokers = is.Broker, is.Brokers
			site.Connections.Mappings, site.Connections.Ignore = is.Mappings, is.Ignore
			if was := old.Connections.Embedded; was != nil && is.Embedded != nil {
				e := *was
				e.Access = is.Embedded.Access
				site.Connections.Embedded = &e
			}
			if err := site.Reindex(); err != nil {
				return fmt.Errorf("site file %s: %w", site.Path(), err) // the zone was loaded before
			}
			c.health.Set("site file", health.Warn, "changes under connections:, but for those of brokers, mappings and access, take effect at the next start; all else is in force", "restart dwindle serve")
		default:
			c.log.Error("site file not taken: this key cannot change while serving", "file", site.Path(), "key", key)
			c.health.Set("site file", health.Warn, "the site file read again changes "+key+":, which a running station cannot; the one read before is in force", "restart dwindle serve")
			continue
		}
		c.site.Store(site)
		if err := clients.apply(ctx, site); err != nil && ctx.Err() == nil {
			c.log.Error("not every broker can be used as the site file says", "file", site.Path(), "err", err)
			c.health.Set("site file", health.Warn, "not every broker can be used as the site file says: "+err.Error(), "mend its entry under connections:, then send SIGHUP again")
		}
		if err := c.forward.apply(ctx, site); err != nil && ctx.Err() == nil {
			c.log.Error("nothing can be forwarded as the site file says", "file", site.Path(), "err", err)
			c.health.Set("site file", health.Warn, "nothing can be forwarded as the site file says: "+err.Error(), "see the journal's check, then send SIGHUP again")
		}
		c.log.Info("site file read again", "file", site.Path())
	}
}

// needsRestart names the changed keys that a running station cannot take up.
func needsRestart(old, site *config.Site) string {
	switch {
	case old.DataDir() != site.DataDir():
		return "data"
	case old.ID != site.ID:
		return "site"
	case old.Zone != site.Zone:
		return "zone"
	case (old.JournalInInflux() || site.JournalInInflux()) && !reflect.DeepEqual(old.Stores, site.Stores):
		return "stores"
	}
	if !reflect.DeepEqual(fixed(old.Connections), fixed(site.Connections)) {
		return "connections"
	}
	was, _ := old.SparkplugBroker()
	is, _ := site.SparkplugBroker()
	if !reflect.DeepEqual(was, is) {
		return "connections" // its host keeps to the broker that it began with
	}
	return ""
}

// fixed are the connections without what a running station takes up: clients of
// brokers are stopped and started by themselves, and the decoder and the
// embedded broker go by the site file in force.
func fixed(n config.Connections) config.Connections {
	n.Broker, n.Brokers, n.Mappings, n.Ignore = nil, nil, nil, nil
	if n.Embedded != nil {
		e := *n.Embedded
		e.Access = nil
		n.Embedded = &e
	}
	return n
}
