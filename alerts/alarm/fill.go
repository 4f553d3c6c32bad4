package alarm

import "strings"

// generic are the words for placeholders whose value is not known.
var generic = map[string]string{
	"point": "the point", "machine": "the machine", "dispenser": "the dispenser", "device": "the device", "gateway": "the gateway",
	"reservoir": "of the right kind", "early": "the early empty date", "likely": "the likely empty date", "before": "the early empty date",
	"visit": "a later day", "planned": "the planned date", "manual": "the quantity of the plan", "missed": "the quantity of the plan",
	"duty": "what the forecast expects", "duty_planned": "what the plan says", "setting": "one setting", "setting_registered": "another one",
	"share": "another share", "remaining": "what is", "value": "several", "interval": "few run-hours", "blind": "What hangs on it",
	"difference": "another share", "part": "a part of the collector", "what": "it does not do its job", "harm": "What it is for is not done",
	"try": "see the health page and the log", "doubts": "its readings cannot be right", "remedy": "compare the device with what it sends", "from": "when it began", "since": "an unknown time",
}

// Fill puts values into the placeholders of a text. A placeholder without a
// value becomes plain words, so that a text is always readable; braces in
// values stay as they are.
func Fill(text string, values map[string]string) string {
	if !strings.Contains(text, "{") {
		return text
	}
	var b strings.Builder
	for {
		open := strings.IndexByte(text, '{')
		if open < 0 {
			break
		}
		shut := strings.IndexByte(text[open:], '}')
		if shut < 0 {
			break
		}
		name := text[open+1 : open+shut]
		b.WriteString(text[:open])
		switch v, ok := values[name]; {
		case ok && v != "":
			b.WriteString(v)
		default:
			b.WriteString(generic[name])
		}
		text = text[open+shut+1:]
	}
	b.WriteString(text)
	return b.String()
}

// Texts gives cause, consequence and response of a type for one subject.
// Cautions come first in the response: they are to be read before hands move.
func (d *Definition) Texts(values map[string]string) (cause, consequence string, response []string) {
	cause = sentence(strings.Join(d.Cause, "; "), values)
	consequence = sentence(d.Consequence, values)
	for _, c := range d.Cautions {
		response = append(response, "Caution. "+string(c))
	}
	for _, r := range d.Response {
		response = append(response, sentence(r, values))
	}
	return cause, consequence, response
}

// sentence fills a text and begins it with a capital, unless it begins with an
// id: in ids the case counts.
func sentence(text string, values map[string]string) string {
	if strings.HasPrefix(text, "{") {
		if shut := strings.IndexByte(text, '}'); shut > 0 && values[text[1:shut]] != "" {
			return Fill(text, values)
		}
	}
	return capital(Fill(text, values))
}

func capital(s string) string {
	if s == "" || s[0] < 'a' || s[0] > 'z' {
		return s
	}
	return strings.ToUpper(s[:1]) + s[1:]
}
