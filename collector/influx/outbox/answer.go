package outbox

import (
	"encoding/json"
	"errors"
	"net/http"
	"net/url"
	"regexp"
	"strconv"
	"strings"
	"unicode"
	"unicode/utf8"
)

// answer is what came back for one request.
type answer struct {
	status  int    // 0: none came
	code    string // the server's word for it, if its answer was JSON
	message string // the server's words: bounded, on one line, without the token
	again   string // the header Retry-After
	at      string // the header Location
	cause   error  // why none came
	// named are the lines that the server cannot parse, by their text, each with
	// the reason.
	named map[string]string
	// dropped is how many points were not written at least (of several shards
	// only the first that fails is told of), and clash the field whose type
	// conflicts, where the server says so.
	dropped int
	clash   field
}

// reaction says what is done about an answer; the table is in the doc of the
// package.
type reaction int

const (
	written    reaction = iota // 204
	refused                    // 400, 413, 422: the points
	denied                     // 401, 403: the token
	missing                    // 404: the bucket or the organisation
	busy                       // 429, 503
	trouble                    // anything else that was answered
	unanswered                 // nothing was
)

func (a answer) reaction() reaction {
	switch a.status {
	case 0:
		return unanswered
	case http.StatusNoContent:
		return written
	case http.StatusBadRequest, http.StatusRequestEntityTooLarge, http.StatusUnprocessableEntity:
		return refused
	case http.StatusUnauthorized, http.StatusForbidden:
		return denied
	case http.StatusNotFound:
		return missing
	case http.StatusTooManyRequests, http.StatusServiceUnavailable:
		return busy
	}
	return trouble
}

// The reasons why a point is refused: stable words for counters.
const (
	Unencodable     = "unencodable"      // line protocol has no form for it; it was not sent
	Syntax          = "syntax"           // 400: the server cannot read the line
	TooLarge        = "too_large"        // 413: a line alone is above the server's limit
	TypeConflict    = "type_conflict"    // 422: the field has another type there already
	BeyondRetention = "beyond_retention" // 422: older than what the bucket keeps
	Rejected        = "rejected"         // 422, for another reason
	ServerError     = "server_error"     // 500, again and again for this line and for no other
)

// Reasons are all of them, in a fixed order.
var Reasons = [...]string{Unencodable, Syntax, TooLarge, TypeConflict, BeyondRetention, Rejected, ServerError}

// reason is why points were refused.
func (a answer) reason() string {
	switch a.status {
	case http.StatusBadRequest:
		return Syntax
	case http.StatusRequestEntityTooLarge:
		return TooLarge
	case http.StatusInternalServerError:
		return ServerError
	}
	switch {
	case strings.Contains(a.message, "field type conflict"):
		return TypeConflict
	case strings.Contains(a.message, "retention policy"):
		return BeyondRetention
	}
	return Rejected
}

// vague says that a refusal may as well be of something that stands between here
// and the receiver: it does not say what is wrong with a point.
func (a answer) vague() bool {
	if len(a.named) > 0 || a.dropped > 0 {
		return false
	}
	switch a.reason() {
	case TypeConflict, BeyondRetention:
		return false
	}
	return true
}

// words are the server's, for people.
func (a answer) words() string {
	switch {
	case a.status == 0 && a.cause != nil:
		return clean(plainCause(a.cause), "")
	case a.at != "":
		return "sends us on to " + a.at
	case a.code != "" && a.message != "":
		return a.code + ": " + a.message
	case a.message != "":
		return a.message
	case a.code != "":
		return a.code
	}
	return strings.ToLower(http.StatusText(a.status))
}

// plainCause is the reason without the address, which has the names of bucket
// and organisation in it and is known.
func plainCause(err error) string {
	var u *url.Error
	if errors.As(err, &u) {
		if u.Timeout() {
			return "no answer in time (" + u.Err.Error() + ")"
		}
		return u.Err.Error()
	}
	return err.Error()
}

// How InfluxDB 2 tells how many points it dropped, and which field has another
// type already.
var (
	droppedWords = regexp.MustCompile(`\bdropped=(\d+)`)
	clashWords   = regexp.MustCompile(`input field "(.*?)" on measurement "(.*?)" is type`)
)

const (
	maxAnswer = 1 << 20 // read of an answer that says no; it may name thousands of lines
	maxWords  = 400     // of it in logs, health and the kept-aside
)

// read takes over what the server says, without what may be our token.
func (a *answer) read(header http.Header, body []byte, token string) {
	a.again = header.Get("Retry-After")
	var said struct {
		Code    string `json:"code"`
		Message string `json:"message"`
		Error   string `json:"error"` // what proxies and version 1 say
	}
	message := string(body)
	if err := json.Unmarshal(body, &said); err == nil {
		a.code = clean(said.Code, token)
		message = said.Message
		if message == "" {
			message = said.Error
		}
	} else if len(body) == 0 {
		message = header.Get("X-Influxdb-Error")
	}
	a.named = namedLines(message)
	for line, why := range a.named {
		a.named[line] = clean(why, token)
	}
	if a.status == http.StatusUnprocessableEntity {
		if m := droppedWords.FindStringSubmatch(message); m != nil {
			a.dropped, _ = strconv.Atoi(m[1]) // beyond any int: not said
		}
		if m := clashWords.FindStringSubmatch(message); m != nil {
			a.clash = field{measurement: m[2], name: m[1]}
		}
	}
	a.message = clean(message, token)
	if a.status >= 300 && a.status < 400 {
		a.at = clean(header.Get("Location"), token)
	}
}

// namedLines reads the lines that InfluxDB 2 could not parse, each with the
// reason, from "unable to parse 'LINE': REASON", one to a line of the message.
func namedLines(message string) map[string]string {
	const before, between = "unable to parse '", "': "
	var named map[string]string
	for said := range strings.SplitSeq(message, "\n") {
		rest, ok := strings.CutPrefix(said, before)
		if !ok {
			continue
		}
		// The line may hold the mark itself, the reason does not.
		cut := strings.LastIndex(rest, between)
		if cut < 0 {
			continue
		}
		if named == nil {
			named = map[string]string{}
		}
		named[rest[:cut]] = rest[cut+len(between):]
	}
	return named
}

// clean makes a foreign text fit for one line of a log: without the token,
// without control characters, bounded.
func clean(text, token string) string {
	if token != "" {
		text = strings.ReplaceAll(text, token, "***")
	}
	// Cut before the rest is looked at, since it may be long.
	text = text[:min(len(text), 4*maxWords)]
	text = strings.Join(strings.FieldsFunc(strings.ToValidUTF8(text, "?"), func(r rune) bool {
		return unicode.IsControl(r) || unicode.IsSpace(r)
	}), " ")
	if len(text) <= maxWords {
		return text
	}
	cut := maxWords
	for cut > 0 && !utf8.RuneStart(text[cut]) {
		cut--
	}
	return text[:cut] + " ..."
}
