package alarm

import (
	"slices"
	"time"
)

// Definition is the record of one alarm type: what rationalisation wants
// written down before a type may be raised. Texts may hold placeholders such
// as {point}, see [Fill].
type Definition struct {
	Type        Type
	Title       string // condition in plain words
	Purpose     string
	Class       string   // process, data path or device
	Cause       []string // likeliest first
	Consequence string   // if nobody acts
	Response    []string // steps that can each be checked off
	Cautions    []Caution
	Owner       string // role id, unless the site file gives the type to another
	RespondIn   string // how the time to respond is found
	Priority    string // how the priority is found
	Inputs      string
	MinEvidence string
	SetAt       string
	ClearAt     string
	Delays      Delays
	Latching    string // when, empty for never
	AutoReturn  bool   // at low priority, a return needs no acknowledgement
	Suppress    []Rule
	Parent      Type // the alarm that stands for this one when its cause is there
	Test        string
}

// The default owners.
const (
	Technician   = "technician"
	Reliability  = "reliability"
	GatewayOwner = "gateway_owner"
)

// Caution names a danger that a response leads to.
type Caution string

// The cautions: short, because they are read at the machine. They never
// replace the site's own rules, which come first.
const (
	Rotating  Caution = "Moving machine parts: stop, lock out and prove dead before reaching in. Site rules first."
	Pressure  Caution = "Stored pressure: relieve the dispenser and line before opening them."
	Injection Caution = "Grease under pressure can pierce skin: never feel for it with a hand. If it does, hospital at once."
	Hot       Caution = "Hot surfaces: let them cool or wear gloves."
	Dust      Caution = "Explosive dust area: work permit, no sparks, approved tools and devices only."
	Slip      Caution = "Leaked lubricant: slippery floor, wipe it up at once."
)

const (
	day  = 24 * time.Hour
	hour = time.Hour
)

// atMachine are the dangers of any work at a lube point.
var atMachine = []Caution{Rotating, Dust, Hot}

// atLine adds those of opening a dispenser or its line.
var atLine = []Caution{Rotating, Pressure, Injection, Dust, Hot}

var definitions = []Definition{
	{
		Type: EmptyBeforeVisit, Class: "process", Owner: Technician,
		Title:   "May be empty before the next visit",
		Purpose: "No point runs without supply between two rounds.",
		Cause: []string{
			"{machine} runs more than planned", "the visit was moved or comes too late", "the last change was late or the reservoir was not full", "more is delivered than set",
		},
		Consequence: "{point} runs without supply from about {likely}, perhaps from {early}; the bearing wears, runs hot and may fail.",
		Response: []string{
			"Put {point} on a round by {before}, or pull the visit planned for {visit} forward.",
			"Check that a reservoir {reservoir} is in stock.",
			"If nobody can be there by {before}: grease by hand once, {manual}.",
			"Record the change, with what was left in the old reservoir.",
		},
		Cautions:    atLine,
		RespondIn:   "early empty date minus now; the time to reach the point is not known here and comes off it",
		Priority:    "criticality of the machine and days to the early empty date; one step up when the chance is 50 % or more",
		Inputs:      "empty date and its spread, visit rounds",
		MinEvidence: "forecast not withheld; its newest reading within 3 reporting intervals",
		SetAt:       "chance of empty before the next visit at or above the limit (20 %, criticality A 10 %); at once when a level reads empty",
		ClearAt:     "chance below half the limit, or the reservoir was changed",
		Delays:      Delays{On: 2, Off: 2, Spacing: hour},
		Suppress:    []Rule{PlannedDown, Commissioning, UnderOrder, Withheld},
		Test:        "In a test site set the next visit behind the early empty date and evaluate twice, an hour apart.",
	},
	{
		Type: EmptyDateDrifts, Class: "process", Owner: Reliability,
		Title:   "Empty earlier than planned",
		Purpose: "Rounds and stock follow the plan; a reservoir that will not last as long is noticed while there is time.",
		Cause: []string{
			"run-hours differ from the plan", "the setting differs from the plan", "delivery differs from the command", "the level sensor is wrong",
		},
		Consequence: "Rounds and stock for {point} are planned on {planned} while {likely} is likely.",
		Response: []string{
			"Compare duty with the plan of {point}: {duty}, planned {duty_planned}.",
			"Compare the setting on {dispenser} with the register: {setting} against {setting_registered}.",
			"Look at planned, commanded and delivered volume of {point}.",
			"Correct what is wrong: plan, setting or dispenser; or accept the new date. Note the reason in the acknowledgement.",
		},
		Cautions:    atMachine,
		RespondIn:   "by the next planning of rounds",
		Priority:    "low; urgency is that of the alarm on the visit",
		Inputs:      "empty date and its spread, planned empty date",
		MinEvidence: "forecast not withheld and a plan for the fill",
		SetAt:       "likely date more than max(7 days, 10 % of the planned life) before the plan, and the plan after the late date; a later date is planned work",
		ClearAt:     "difference at or below half of that",
		Delays:      Delays{On: 3, Off: 3, Spacing: 20 * hour},
		AutoReturn:  true,
		Suppress:    []Rule{PlannedDown, MachineDown, Commissioning, JustChanged, Withheld, CauseNamed},
		Test:        "In a test site halve the expected hours per week and evaluate on three days.",
	},
	{
		Type: UnderDelivery, Class: "process", Owner: Reliability,
		Title:   "Delivers too little",
		Purpose: "A point that gets too little is found before its bearing is.",
		Cause: []string{
			"blocked line or fitting", "cold, stiff lubricant", "air in the line", "weak drive or battery", "wrong setting", "stuck level sensor: looks the same from here",
		},
		Consequence: "{point} gets {share} of its dose; the bearing is starved although the dispenser counts.",
		Response: []string{
			"At {point}: look for fresh lubricant at the outlet.",
			"Take the line off at the bearing and trigger test doses on {dispenser}: does lubricant come?",
			"Comes: clear the fitting or bearing inlet. Does not come: replace the line, then {dispenser}.",
			"Weigh the reservoir, to tell a stuck sensor from a blocked line, and record the weighing.",
			"Grease by hand what was missed, {missed}.",
		},
		Cautions:    atLine,
		RespondIn:   "days; sooner where nothing comes out",
		Priority:    "medium, high for criticality A; one step up where nothing is delivered",
		Inputs:      "measured level or dose, commanded volume",
		MinEvidence: "measured evidence over a window long enough for the sensor's step",
		SetAt:       "verdict under or not_dispensing (ratio at or below 0.85)",
		ClearAt:     "ratio at or above 0.92",
		Delays:      Delays{On: 2, Off: 2, Spacing: 20 * hour},
		Suppress:    []Rule{PlannedDown, MachineDown, Commissioning, UnderOrder, JustChanged},
		Test:        "Let a simulated dispenser deliver half of its command and evaluate on successive days.",
	},
	{
		Type: OverDelivery, Class: "process", Owner: Reliability,
		Title:   "Delivers too much",
		Purpose: "Leaks and wrong settings are found before seals, floor and stock suffer.",
		Cause: []string{
			"wrong setting", "leaking or broken line", "level sensor wrong", "doses triggered twice",
		},
		Consequence: "{point} takes {share} of its dose: seal damage, heat, waste, slippery floor, and empty early (about {likely}).",
		Response: []string{
			"At {point}: look for a leak at dispenser, line, fitting and seal. Wipe up what leaked.",
			"Check the setting on {dispenser}: {setting} in force, {setting_registered} registered.",
			"Weigh the reservoir and compare with {remaining} expected; record the weighing.",
			"Replace what leaks; correct the setting; record both.",
		},
		Cautions:    append(slices.Clone(atLine), Slip),
		RespondIn:   "days; the same shift for a possible leak",
		Priority:    "medium; a possible leak on criticality A is high",
		Inputs:      "measured level or dose, commanded volume",
		MinEvidence: "measured evidence over a window long enough for the sensor's step; for a leak two daily levels",
		SetAt:       "verdict over (ratio at or above 1.15); possible leak: fall of more than 3 days of plan at full running and more than 3 sensor steps within about a day",
		ClearAt:     "ratio at or below 1.08; a possible leak waits for a reset",
		Delays:      Delays{On: 2, Off: 2, Spacing: 20 * hour},
		Latching:    "possible leak",
		Suppress:    []Rule{PlannedDown, MachineDown, Commissioning, UnderOrder, JustChanged},
		Test:        "Let a simulated reservoir lose a third within a day.",
	},
	{
		Type: RunWithoutDose, Class: "device", Owner: Technician,
		Title:   "Machine runs without a dose",
		Purpose: "A dispenser that is off is found within a few doses.",
		Cause: []string{
			"dispenser off or paused", "line blocked and dispenser stopped itself", "run contact or signal to the dispenser broken", "empty battery",
		},
		Consequence: "{point} has had nothing for {value} run-hours of {machine}; doses were due every {interval}.",
		Response: []string{
			"At {dispenser}: is it on, what do display or lamps show?",
			"Trigger a test dose by hand: does it count and does lubricant come?",
			"Check the contact or signal that tells {dispenser} that {machine} runs.",
			"Grease by hand what was missed, {missed}. Replace {dispenser} if it stays silent.",
		},
		Cautions:    atLine,
		RespondIn:   "one dose interval of run-hours",
		Priority:    "medium, high for criticality A",
		Inputs:      "run-hours of the machine, doses or strokes counted",
		MinEvidence: "run signal good and doses reported",
		SetAt:       "run-hours since the last dose above 2 dose intervals and one reporting interval of dispenser and machine each",
		ClearAt:     "the next dose",
		Delays:      Delays{On: 2, Off: 1, Spacing: hour},
		Suppress:    []Rule{Commissioning, UnderOrder, Backlog},
		Test:        "Stop the doses of a simulated dispenser while its machine runs on.",
	},
	{
		Type: NoTelemetry, Class: "data path", Owner: GatewayOwner,
		Title:   "Not heard any more",
		Purpose: "Silence is not taken for well-being.",
		Cause: []string{
			"supply or battery", "radio path or cable", "gateway or broker", "device removed or swapped without record",
		},
		Consequence: "{blind} cannot be watched; the empty date goes on by the usual duty only.",
		Response: []string{
			"Look at the health page: are other devices behind {gateway} silent too?",
			"Check supply, battery and antenna or cable of {device}.",
			"Compare its address and topic with the register; look among the unknown devices.",
			"If it stays silent: read what is left at the point by eye before {before} and record it.",
		},
		Cautions:    []Caution{Rotating, Dust},
		RespondIn:   "early empty date of the frozen forecast minus now",
		Priority:    "low; medium when that date is less than 7 days away; high for criticality A under 2 days",
		Inputs:      "time of the newest live message, learned or declared reporting interval",
		MinEvidence: "the device has reported before; before that it is a prompt",
		SetAt:       "silent for more than 3 reporting intervals and at least 1 h",
		ClearAt:     "two evaluations with new live messages",
		Delays:      Delays{On: 1, Off: 2, NewEvidence: true},
		AutoReturn:  true,
		Suppress:    []Rule{ParentSilent, CollectorDown, UnderOrder},
		Parent:      GatewaySilent,
		Test:        "Stop a simulated device for four intervals.",
	},
	{
		Type: GatewaySilent, Class: "data path", Owner: GatewayOwner,
		Title:   "Gateway is silent",
		Purpose: "One cause, one alarm.",
		Cause: []string{
			"gateway without supply or hung", "network between gateway and broker", "broker refuses the gateway", "radio side of the gateway",
		},
		Consequence: "{blind} cannot be watched until {gateway} is back; what devices keep meanwhile may come late or never.",
		Response: []string{
			"Check supply and lamps of {gateway}.",
			"Check network and broker session of {gateway}.",
			"Restart {gateway} once; note the time.",
			"When it is back: see that its devices report again, one by one.",
		},
		Cautions:    []Caution{Dust},
		RespondIn:   "earliest empty date among its points minus now",
		Priority:    "medium; high when a point of criticality A behind it has its early empty date within 2 days",
		Inputs:      "time of the newest live message of every device behind the gateway",
		MinEvidence: "the devices have reported before",
		SetAt:       "3 devices, or 30 % and at least 2, fell silent within 2 intervals of each other; those do not count that fell silent because messages were not received or not stored here",
		ClearAt:     "at most half of that still silent",
		Delays:      Delays{On: 1, Off: 2},
		Test:        "Stop all simulated devices behind one gateway.",
	},
	{
		Type: SettingDiffers, Class: "device", Owner: Reliability,
		Title:   "Setting differs from the register",
		Purpose: "The dose that the plan wants is the dose that is set.",
		Cause: []string{
			"changed on site without record", "dispenser swapped", "register changed, dispenser not yet",
		},
		Consequence: "{point} gets {difference} of what the register says, slowly and unseen.",
		Response: []string{
			"Find out who changed what: {setting} in force since {since}, {setting_registered} registered.",
			"Decide which of the two is right for {point}.",
			"Either enter the new setting in the site file with valid_from, or put 'correct the setting of {dispenser}' on the round planned for {visit}.",
		},
		Cautions:    atMachine,
		RespondIn:   "the next round",
		Priority:    "low; medium when the dose is wrong by more than 25 %",
		Inputs:      "reported setting, or counted strokes against duty",
		MinEvidence: "a setting reported by the device or read on site, or a count over the window",
		SetAt:       "difference above 1 % at two evaluations",
		ClearAt:     "settings equal again",
		Delays:      Delays{On: 2, Off: 1, Spacing: hour},
		Suppress:    []Rule{Commissioning, JustChanged, UnderOrder},
		Test:        "Report another setting from a simulated dispenser.",
	},
	{
		Type: CollectorTrouble, Class: "data path", Owner: GatewayOwner,
		Title:   "Collector does not do its job",
		Purpose: "Trouble of this program itself finds somebody who ends it, before it is taken for a quiet plant.",
		Cause: []string{
			"{what}", "disk full, slow or faulty", "broker away, or it refuses the account or the subscription", "clock of this machine not set",
		},
		Consequence: "{harm} until the check of {part} is ok again.",
		Response: []string{
			"Do what its health check says: {try}.",
			"See the health page and the log of dwindle serve: does anything else fail with it?",
			"When the check of {part} is ok again: see that messages are stored. Brokers send what they kept; what they did not keep is lost.",
			"If something is missing: read what is left at the points by eye and record it.",
		},
		RespondIn:   "as long as brokers keep messages; hours, where messages are not received or not stored",
		Priority:    "medium when messages are not received or not stored because of it, else low",
		Inputs:      "health checks of the collector",
		MinEvidence: "a health check, and a clock that can be believed",
		SetAt:       "the check is bad for more than 1 min; or it warns for more than 1 h, of disk reserve, journal disk, journal file, damaged stores, clock, snapshots and delivery by a broker",
		ClearAt:     "the check is ok, gone, or warns outside of that list, at two looks 3 min apart",
		Delays:      Delays{On: 1, Off: 2, Spacing: 3 * time.Minute},
		AutoReturn:  true,
		Test:        "Stop the broker of a test site for two minutes.",
	},
	{
		Type: DoubtfulData, Class: "data path", Owner: GatewayOwner,
		Title:   "Readings are in doubt",
		Purpose: "A wrong unit or wiring is put right before forecasts rest on it, or do without it for long.",
		Cause: []string{
			"{doubts}", "wrong unit or scale in a mapping", "two devices under one name, or exchanged", "clock or counter of the device",
		},
		Consequence: "The forecast of {point} rests on readings of {device} that may be wrong, or does without them.",
		Response: []string{
			"Look at what is doubted: {remedy}.",
			"Try the mapping on a message of {device}: dwindle check --try with its topic and payload. Are unit and value those of its display?",
			"Compare wiring, id and topic of {device} with the register.",
			"When it is put right: run what was kept aside and what came since again with dwindle replay --kept --from {from}.",
		},
		Cautions:    []Caution{Rotating, Dust},
		RespondIn:   "days",
		Priority:    "low",
		Inputs:      "what the collector suspects of the device's readings",
		MinEvidence: "a suspicion that lasts; for an exchange of two devices one found within 7 days",
		SetAt:       "the suspicion stands at two looks half an hour apart",
		ClearAt:     "no suspicion of the device lasts at two looks half an hour apart",
		Delays:      Delays{On: 2, Off: 2, Spacing: 30 * time.Minute},
		AutoReturn:  true,
		Suppress:    []Rule{UnderOrder},
		Test:        "Send the hours of a simulated machine in seconds.",
	},
}

// Definitions gives the master table of all types, in a fixed order.
func Definitions() []Definition { return slices.Clone(definitions) }

// Lookup finds the definition of a type.
func Lookup(t Type) (Definition, bool) {
	d := lookup(t)
	return *d, d.Type == t
}

var none Definition

func lookup(t Type) *Definition {
	for i := range definitions {
		if definitions[i].Type == t {
			return &definitions[i]
		}
	}
	return &none
}
