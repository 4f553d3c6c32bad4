package alarm

import "time"

// Trigger is what moved an alarm.
type Trigger string

// The triggers.
const (
	Confirmed         Trigger = "confirmed"         // the condition held through its on-delay
	Cleared           Trigger = "cleared"           // the condition was gone through its off-delay
	Superseded        Trigger = "superseded"        // another occurrence takes over
	WasAcknowledged   Trigger = "acknowledged"      //
	AckWithdrawn      Trigger = "ack_withdrawn"     //
	WasShelved        Trigger = "shelved"           //
	ShelvingEnded     Trigger = "shelving_ended"    //
	Unshelved         Trigger = "unshelved"         //
	SuppressBegan     Trigger = "suppression_began" //
	SuppressEnded     Trigger = "suppression_ended" //
	WasEscalated      Trigger = "escalated"         // nobody acknowledged in time
	Raised            Trigger = "priority_raised"   //
	ReAlarmed         Trigger = "re_alarmed"        // acknowledged, and still there after the re-alarm time
	WasReset          Trigger = "reset"             // a latched alarm whose cause is gone
	TakenOut          Trigger = "taken_out_of_service"
	ReturnedToService Trigger = "returned_to_service"
	WorkReported      Trigger = "work_reported" // work done; telemetry has yet to prove it
	Deleted           Trigger = "deleted"       // the subject is gone from the register
)

// Notice is what people are to be told of a transition.
type Notice string

// The notices.
const (
	NoNotice Notice = ""
	Announce Notice = "announce" // once per occurrence
	Return   Notice = "return"   // once per announced occurrence
	Escalate Notice = "escalate"
)

// Transition is one step of one alarm. Transitions are only ever added.
type Transition struct {
	At         time.Time `json:"at"`
	Key        `json:",inline"`
	Occurrence string   `json:"occurrence"`
	From       State    `json:"from"`
	To         State    `json:"to"`
	Trigger    Trigger  `json:"trigger"`
	Notice     Notice   `json:"notice,omitempty"`
	Priority   Priority `json:"priority,omitempty"`
	By         string   `json:"by"` // a person, or "dwindle"
	Note       string   `json:"note,omitempty"`
}

// System is the actor of what no person did.
const System = "dwindle"
