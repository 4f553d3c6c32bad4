// Package alarm is the alarm state machine and the alarm types. Pure: values
// in, values out, time as a parameter.
//
// States and their names follow the terms of ANSI/ISA-18.2-2016 and IEC
// 62682:2014; no conformance is claimed. Start with [Type] for what can be
// raised and [Alarm] for one that was.
package alarm

import "time"

// Type is the stable name of a kind of alarm.
type Type string

// The types.
const (
	EmptyBeforeVisit Type = "empty_before_visit"
	EmptyDateDrifts  Type = "empty_date_drifts"
	UnderDelivery    Type = "under_delivery"
	OverDelivery     Type = "over_delivery"
	RunWithoutDose   Type = "run_without_dose"
	NoTelemetry      Type = "no_telemetry"   // a dispenser or a machine's run signal
	GatewaySilent    Type = "gateway_silent" // parent of no_telemetry
	SettingDiffers   Type = "setting_differs"
	CollectorTrouble Type = "collector_trouble" // a part of this program; stands for silence that follows from it
	DoubtfulData     Type = "doubtful_data"     // readings of a device that cannot be right
)

// Priority ranks what to do first.
type Priority string

// The priorities.
const (
	Low    Priority = "low"
	Medium Priority = "medium"
	High   Priority = "high"
)

// State is the derived label of an alarm, after ISA-18.2.
type State string

// The states.
const (
	Normal             State = "normal"
	Unacknowledged     State = "unacknowledged"
	Acknowledged       State = "acknowledged"
	ReturnedUnacked    State = "returned_unacknowledged"
	LatchedUnacked     State = "latched_unacknowledged"
	LatchedAcked       State = "latched_acknowledged"
	Shelved            State = "shelved"
	SuppressedByDesign State = "suppressed_by_design"
	OutOfService       State = "out_of_service"
)

// Row is one alarm as people and programs read it: the fields of
// `alarms --json`.
type Row struct {
	ID       string   `json:"id"` // occurrence id
	Type     Type     `json:"type"`
	Point    string   `json:"point,omitempty"`
	Device   string   `json:"device,omitempty"`
	Gateway  string   `json:"gateway,omitempty"`
	State    State    `json:"state"`
	Priority Priority `json:"priority"`
	// PriorityReason says why it has this priority.
	PriorityReason string     `json:"priority_reason,omitempty"`
	Since          time.Time  `json:"since"`
	Ended          *time.Time `json:"ended,omitempty"`
	Value          float64    `json:"value"`
	Limit          float64    `json:"limit"`
	Unit           string     `json:"unit"`             // of value and limit, e.g. "1" or "cm3/100h"
	Detail         string     `json:"detail,omitempty"` // the value in words, for people
	Cause          string     `json:"cause"`
	Consequence    string     `json:"consequence"`
	Response       []string   `json:"response"`
	Owner          string     `json:"owner"` // role id
	AcknowledgedBy string     `json:"acknowledged_by,omitempty"`
	AcknowledgedAt *time.Time `json:"acknowledged_at,omitempty"`
	ShelvedUntil   *time.Time `json:"shelved_until,omitempty"`
	// Children are the devices that this alarm stands for.
	Children []string `json:"children,omitempty"`

	Machine string `json:"machine,omitempty"`
	// Part of the collector that is in trouble: the name of its health check.
	Part string `json:"part,omitempty"`
	// Announced is when people were first told; Since is when the condition
	// began. Nil when it never was (suppressed or shelved all along).
	Announced   *time.Time `json:"announced,omitempty"`
	EscalatedAt *time.Time `json:"escalated_at,omitempty"`
	// ActBy is the latest time to act, where one is known.
	ActBy           *time.Time `json:"act_by,omitempty"`
	AcknowledgeNote string     `json:"acknowledge_note,omitempty"`
	ShelvedBy       string     `json:"shelved_by,omitempty"`
	ShelveReason    string     `json:"shelve_reason,omitempty"`
	// SuppressedBy are the suppression rules that apply, in words.
	SuppressedBy []string `json:"suppressed_by,omitempty"`
	// EndReason says why the occurrence ended.
	EndReason string `json:"end_reason,omitempty"`
}
