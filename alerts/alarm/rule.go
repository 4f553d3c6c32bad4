package alarm

// Rule is the id of a suppression by design. A rule hides the announcing of an
// alarm that asks for nothing now; evaluation and history go on.
type Rule string

// The rules.
const (
	PlannedDown   Rule = "D1"  // planned shutdown covers now and the date in question
	MachineDown   Rule = "D2"  // machine stands longer than settling
	Commissioning Rule = "D3"  // dispenser is being taken into service
	ParentSilent  Rule = "D4"  // the gateway in front is silent; its alarm stands for its children
	UnderOrder    Rule = "D5"  // point or device out of service under an order
	JustChanged   Rule = "D6"  // reservoir changed within the settling time
	Backlog       Rule = "D7"  // stored messages of an outage are being worked off
	Withheld      Rule = "D8"  // too little evidence for a forecast
	CauseNamed    Rule = "D9"  // another alarm of the point says why
	CollectorDown Rule = "D10" // this program received or stored nothing when it fell silent
)

var ruleWords = map[Rule]string{
	PlannedDown:   "planned shutdown of the machine",
	MachineDown:   "machine is standing",
	Commissioning: "dispenser is being commissioned",
	ParentSilent:  "the gateway or run signal in front is silent; see its alarm",
	UnderOrder:    "out of service under an order",
	JustChanged:   "reservoir was just changed",
	Backlog:       "stored messages are being worked off",
	Withheld:      "forecast is withheld",
	CauseNamed:    "another alarm of this point names the cause",
	CollectorDown: "messages were not received or not stored here; see the alarm of the collector",
}

// Words says in plain words why the rule hides an alarm.
func (r Rule) Words() string {
	if w, ok := ruleWords[r]; ok {
		return w
	}
	return string(r)
}
