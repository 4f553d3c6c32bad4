package config

import (
	"cmp"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"time"

	"dwindle/config/civil"
)

// index finds register entries by id; built by Load and by Reindex.
type index struct {
	areas      map[string]*Area
	machines   map[string]*Machine
	gateways   map[string]*Gateway
	lubricants map[string]*Lubricant
	reservoirs map[string]*Reservoir
	models     map[string]*DispenserModel
	points     map[string]*Point
	dispensers map[string]*Dispenser
	atPoint    map[string]*Dispenser // by point id
	gatewayOf  map[string]*Gateway   // by machine or dispenser id
	hours      map[string]float64    // ordinary hours per week by machine id
}

// Reindex rebuilds the look-up tables after the slices were changed by hand,
// as tests and the simulator do, and fills in defaults where a value was left
// out; Load calls it. The zone must be valid.
func (s *Site) Reindex() error {
	loc, err := time.LoadLocation(s.Zone)
	if err != nil {
		return err
	}
	s.loc = loc
	applyDefaults(s)
	s.filters = s.topicFilters()
	s.index = index{
		areas: map[string]*Area{}, machines: map[string]*Machine{}, gateways: map[string]*Gateway{},
		lubricants: map[string]*Lubricant{}, reservoirs: map[string]*Reservoir{}, models: map[string]*DispenserModel{},
		points: map[string]*Point{}, dispensers: map[string]*Dispenser{}, atPoint: map[string]*Dispenser{}, gatewayOf: map[string]*Gateway{},
		hours: ordinaryHours(s.Points),
	}
	for i := range s.Areas {
		s.index.areas[s.Areas[i].ID] = &s.Areas[i]
	}
	for i := range s.Machines {
		s.index.machines[s.Machines[i].ID] = &s.Machines[i]
	}
	for i := range s.Gateways {
		g := &s.Gateways[i]
		s.index.gateways[g.ID] = g
		for _, id := range g.Machines {
			s.index.gatewayOf[id] = g
		}
		for _, id := range g.Dispensers {
			s.index.gatewayOf[id] = g
		}
	}
	for i := range s.Lubricants {
		s.index.lubricants[s.Lubricants[i].ID] = &s.Lubricants[i]
	}
	for i := range s.Reservoirs {
		s.index.reservoirs[s.Reservoirs[i].ID] = &s.Reservoirs[i]
	}
	for i := range s.Models {
		s.index.models[s.Models[i].ID] = &s.Models[i]
	}
	for i := range s.Points {
		s.index.points[s.Points[i].ID] = &s.Points[i]
	}
	for i := range s.Dispensers {
		d := &s.Dispensers[i]
		s.index.dispensers[d.ID] = d
		if d.Point != "" {
			s.index.atPoint[d.Point] = d
		}
	}
	return nil
}

// Path is the site file's path, empty for a site made by hand.
func (s *Site) Path() string { return s.path }

// Location is the site's zone.
func (s *Site) Location() *time.Location {
	if s.loc == nil {
		return time.UTC
	}
	return s.loc
}

// DataDir is the data directory; a relative one is relative to the site file.
func (s *Site) DataDir() string {
	return s.beside(s.Data)
}

// beside is a path that the site file names: a relative one is relative to it.
func (s *Site) beside(path string) string {
	if path == "" || filepath.IsAbs(path) || s.path == "" {
		return path
	}
	return filepath.Join(filepath.Dir(s.path), path)
}

// secret is a file that the site file names and that may be a credential of
// the service manager, given as $CREDENTIALS_DIRECTORY/name (systemd.exec(5),
// LoadCredential=). No other variable is read.
func (s *Site) secret(path string) string {
	const credentials = "$CREDENTIALS_DIRECTORY/"
	if name, ok := strings.CutPrefix(path, credentials); ok {
		if dir := os.Getenv("CREDENTIALS_DIRECTORY"); dir != "" {
			return filepath.Join(dir, name)
		}
		return path // no such file, and the error names it as it is written
	}
	return s.beside(path)
}

// Brokers gives the external brokers, in the file's order: the one under
// broker first, called [DefaultBrokerName] unless it has a name. Their files
// are found from any working directory.
func (s *Site) Brokers() []Broker {
	n := &s.Connections
	all := make([]Broker, 0, 1+len(n.Brokers))
	if n.Broker != nil {
		b := *n.Broker
		b.Name = cmp.Or(b.Name, DefaultBrokerName)
		all = append(all, b)
	}
	all = append(all, n.Brokers...)
	for i := range all {
		b := &all[i]
		for _, file := range []*string{&b.PasswordFile, &b.CAFile, &b.CertFile, &b.KeyFile} {
			*file = s.secret(*file)
		}
	}
	return all
}

// Embedded gives the broker inside the program, nil if there is none, its files
// found from any working directory.
func (s *Site) Embedded() *Embedded {
	if s.Connections.Embedded == nil {
		return nil
	}
	e := *s.Connections.Embedded
	e.AccountsFile = s.secret(e.AccountsFile)
	if e.TLS != nil {
		e.TLS = &EmbeddedTLS{CertFile: s.secret(e.TLS.CertFile), KeyFile: s.secret(e.TLS.KeyFile), ClientCAFile: s.secret(e.TLS.ClientCAFile)}
	}
	return &e
}

// Influx gives the server of InfluxDB, nil if there is none, its files found
// from any working directory.
func (s *Site) Influx() *Influx {
	if s.Stores.Influx == nil {
		return nil
	}
	i := *s.Stores.Influx
	for _, file := range []*string{&i.TokenFile, &i.PrepareTokenFile, &i.CAFile} {
		*file = s.secret(*file)
	}
	return &i
}

// Token reads the token, anew each time, so that one that was changed is taken
// up. The error never holds what is in the file.
func (i *Influx) Token() (string, error) { return token("token_file", i.TokenFile) }

// PrepareToken reads the token of an operator.
func (i *Influx) PrepareToken() (string, error) {
	return token("prepare_token_file", i.PrepareTokenFile)
}

// token reads a file that holds a token, without the line end that editors add.
func token(key, file string) (string, error) {
	text, err := os.ReadFile(file)
	if err != nil {
		return "", fmt.Errorf("read stores.influx.%s: %w", key, err)
	}
	t := strings.TrimRight(string(text), "\r\n")
	if t == "" || strings.ContainsFunc(t, func(r rune) bool { return r <= ' ' || r > '~' }) {
		return "", fmt.Errorf("read stores.influx.%s: %s holds no token: it should be one line without blanks", key, file)
	}
	return t, nil
}

// JournalInInflux says that this machine works from what others forwarded.
func (s *Site) JournalInInflux() bool { return s.Stores.Journal == StoreInflux }

// Today is the site's civil date at an instant.
func (s *Site) Today(at time.Time) civil.Date { return civil.Of(at, s.Location()) }

// Area finds an area by id, nil if there is none. The other finders are alike.
func (s *Site) Area(id string) *Area { return s.index.areas[id] }

// Machine finds a machine by id.
func (s *Site) Machine(id string) *Machine { return s.index.machines[id] }

// Gateway finds a gateway by id.
func (s *Site) Gateway(id string) *Gateway { return s.index.gateways[id] }

// Lubricant finds a lubricant by id.
func (s *Site) Lubricant(id string) *Lubricant { return s.index.lubricants[id] }

// Reservoir finds a reservoir by id.
func (s *Site) Reservoir(id string) *Reservoir { return s.index.reservoirs[id] }

// Model finds a dispenser model by id.
func (s *Site) Model(id string) *DispenserModel { return s.index.models[id] }

// Point finds a point by id.
func (s *Site) Point(id string) *Point { return s.index.points[id] }

// Dispenser finds a dispenser by id.
func (s *Site) Dispenser(id string) *Dispenser { return s.index.dispensers[id] }

// DispenserAt finds the dispenser that the register has at a point. A swap
// recorded later in the journal takes precedence over it.
func (s *Site) DispenserAt(point string) *Dispenser { return s.index.atPoint[point] }

// GatewayOf finds the gateway in front of a machine or dispenser.
func (s *Site) GatewayOf(device string) *Gateway { return s.index.gatewayOf[device] }

// SnapshotDir is where copies of the stores are put.
func (s *Site) SnapshotDir() string {
	if s.Snapshots.Dir != "" {
		return s.beside(s.Snapshots.Dir)
	}
	return filepath.Join(s.DataDir(), "snapshots")
}

// SnapshotKeep is how many copies of each store are kept, 0: none are made.
func (s *Site) SnapshotKeep() int {
	if s.Snapshots.Keep == nil {
		return DefaultSnapshotKeep
	}
	return *s.Snapshots.Keep
}

// RawBytes bounds the ring of understood messages as they came, 0: no ring.
func (s *Site) RawBytes() int64 {
	if s.Connections.Intake.RawMB == nil {
		return DefaultRawMB << 20
	}
	return int64(*s.Connections.Intake.RawMB) << 20
}

// DiskMBPerDay is what the program should write to disks in a day, MB; 0: any.
func (s *Site) DiskMBPerDay() int {
	if s.Connections.Intake.DiskMBPerDay == nil {
		return DefaultDiskMBPerDay
	}
	return *s.Connections.Intake.DiskMBPerDay
}
