package config

import (
	"path/filepath"
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
	if filepath.IsAbs(s.Data) || s.path == "" {
		return s.Data
	}
	return filepath.Join(filepath.Dir(s.path), s.Data)
}

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
