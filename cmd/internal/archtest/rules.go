package archtest

// Rooms in the order of the data. Imports only point back.
var Rooms = []string{"config", "collector", "forecast", "alerts", "cmd"}

// Programs are rooms whose folder is no package that parts could import.
var Programs = []string{"cmd"}

// Folders that may stand at the top, beside files.
var Folders = append([]string{"deploy", "testdata", "bin", "data", "demo"}, Rooms...)

// Pure rooms and why each is: values in, values out, time as a parameter.
var Pure = map[string]string{
	"config/civil":             "a date is arithmetic",
	"config/unit":              "a quantity is arithmetic",
	"collector/reading":        "the nouns do nothing",
	"collector/decode":         "what a payload means must not depend on when or where it is decoded",
	"collector/sparkplug":      "the rules of sessions and their timers are tried out message by message",
	"collector/sparkplug/wire": "what a payload means must not depend on when or where it is decoded",
	"collector/meter":          "the same readings must give the same duty, whenever they are folded again",
	"collector/wallclock":      "a clock is judged by what is shown of it, so that every fault can be tried out",
	"collector/suspicion":      "the same readings must be suspected of the same, whenever they are folded again",
	"forecast/duty":            "a forecast as of a past time must come out as it did then",
	"forecast/drift":           "a forecast as of a past time must come out as it did then",
	"forecast/reservoir":       "a forecast as of a past time must come out as it did then",
	"forecast/depletion":       "a forecast as of a past time must come out as it did then",
	"forecast/trend":           "a trend over a past window must come out as it did then",
	"alerts/alarm":             "an alarm's state must follow from its history alone",
}

// ImpureImports touch the world outside; with their parts.
var ImpureImports = []string{"net", "os", "io/ioutil", "database/sql", "log", "math/rand", "crypto/rand", "runtime"}

// ImpureUses are functions whose result depends on when or how often they are
// called.
var ImpureUses = []string{
	"time.Now", "time.Since", "time.Until", "time.Sleep", "time.After", "time.AfterFunc",
	"time.Tick", "time.NewTimer", "time.NewTicker",
	"time.Local", // the machine's zone; a site names its own
}

// Rule forbids packages From to import packages To. "/..." includes what is
// below.
type Rule struct{ From, To, Why string }

// Forbidden are the rules beside the order of the rooms.
var Forbidden = []Rule{
	{"forecast/...", "collector", "forecasts ask a Source, so that another store can answer"},
	{"forecast/...", "collector/journal/...", "forecasts ask a Source, so that another store can answer"},
	{"forecast/...", "collector/mqtt/...", "forecasts know readings, not how they arrived"},
	{"forecast/...", "collector/decode/...", "forecasts know readings, not how they were written"},
	{"alerts/...", "collector/mqtt/...", "alarms follow from forecasts and readings"},
	{"alerts/...", "collector/journal/...", "what was observed and what was decided never mix"},
	{"alerts/board/...", "alerts/ledger/...", "pages declare what they need; the station brings it"},
	{"collector/reading/...", "collector/decode/...", "the nouns are a leaf"},
	{"collector/sparkplug/wire/...", "collector/...", "bytes and their meaning, known by every part that reads them"},
	{"collector/mqtt/...", "collector/journal/...", "a connection hands over to a sink and knows no store"},
	{"collector/mqtt/...", "collector/decode/...", "a connection carries bytes"},
	{"collector/journal/...", "collector/mqtt/...", "a store does not care who delivers"},
	{"collector/health/...", "collector/...", "everybody reports there, so it can know nobody"},
	{"config/civil/...", "config", "a leaf that every room uses"},
	{"config/unit/...", "config", "a leaf that every room uses"},
}
