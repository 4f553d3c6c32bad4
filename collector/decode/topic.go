package decode

import (
	"strconv"
	"strings"
	"unicode/utf8"

	"dwindle/collector/reading"
)

// ValidID says whether a text can be the id of a device, machine or site:
// letters and digits of ASCII, '.', '_' and '-', 1 to 64 of them.
func ValidID(id string) bool {
	if id == "" || len(id) > MaxID {
		return false
	}
	for i := range len(id) {
		if c := id[i]; !isLetter(c) && !isDigit(c) && c != '.' && c != '_' && c != '-' {
			return false
		}
	}
	return true
}

// route takes the device and kind from a topic. The topic's identity is the
// one that a broker's access list has proved; ids in the payload are ignored.
func route(topic, prefix, site string) (device string, kind reading.Kind, kept *Kept) {
	bad := func(detail string) (string, reading.Kind, *Kept) {
		return "", "", &Kept{Reason: BadTopic, Detail: detail}
	}
	switch {
	case len(topic) > MaxTopic:
		return bad("topic of " + strconv.Itoa(len(topic)) + " bytes")
	case !utf8.ValidString(topic):
		return bad("topic is not UTF-8: " + strconv.QuoteToASCII(clip(topic)))
	case strings.HasPrefix(topic, "$"):
		return bad("topic of the broker itself: " + strconv.Quote(clip(topic)))
	}
	rest, ok := strings.CutPrefix(topic, strings.Trim(prefix, "/")+"/")
	if !ok {
		return bad("topic " + strconv.Quote(clip(topic)) + " does not begin with " + strconv.Quote(prefix))
	}
	levels := strings.Split(rest, "/")
	if len(levels) != 3 {
		return bad("topic " + strconv.Quote(clip(topic)) + " needs exactly site, device and kind behind the prefix")
	}
	if levels[0] != site {
		return "", "", &Kept{Reason: WrongSite, Detail: "site " + strconv.Quote(clip(levels[0])) + ", not " + strconv.Quote(site)}
	}
	device = levels[1]
	if !ValidID(device) {
		return bad("device " + strconv.Quote(clip(device)) + " is no valid id")
	}
	kind = reading.Kind(levels[2])
	switch kind {
	case reading.Run, reading.Pulse, reading.Dose, reading.Level, reading.Status, reading.Change:
		return device, kind, nil
	}
	return device, "", &Kept{Reason: UnknownKind, Device: device, Detail: "kind " + strconv.Quote(clip(levels[2]))}
}

// allowed says whether a device of a role sends a kind.
func allowed(r Role, k reading.Kind) bool {
	switch r {
	case Machine:
		return k == reading.Run || k == reading.Status
	case Dispenser:
		return k != reading.Run
	case Gateway:
		return k == reading.Status
	}
	return false
}
