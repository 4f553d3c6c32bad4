package config

import "regexp"

// The forms of grease designations: that of DIN 51502 (kind, additives, base,
// consistency, water and upper temperature, lower temperature) and that of
// ISO 6743-9. The forms only; whether a grease meets one is for its maker to
// say.
var (
	designationDIN = regexp.MustCompile(`^(K|G|OG|M)(PF|P|F)?(FK|HC|PH|PG|SI|E|X)?(000|00|0|[1-6])(?:[-/]([0-6]))?([CDEFGHKMNPRSTU])-?(10|20|30|40|50|60)$`)
	designationISO = regexp.MustCompile(`^(?:ISO-)?L-X([A-E])([A-G])([A-I])([AB]) ?(000|00|0|[1-6])$`)
)

// KnownDesignation says that a text has the form of a grease designation.
func KnownDesignation(text string) bool {
	return designationDIN.MatchString(text) || designationISO.MatchString(text)
}
