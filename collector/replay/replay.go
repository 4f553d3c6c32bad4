// Package replay reads and writes logs of recorded messages: JSON Lines, one
// message a line, so that they can be fed through the intake once more.
//
// Fields of a line: received (RFC 3339), topic, and payload (text, or the JSON
// object or array as it was sent) or payload_base64; optional retained, dup.
// Pure: it imports only collector/reading. Start with [Read] and [NewWriter].
package replay

import (
	"bufio"
	"bytes"
	"encoding/base64"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"iter"
	"time"
	"unicode/utf8"

	"dwindle/collector/reading"
)

// MaxLine is the longest line that is read, in bytes. A payload of the largest
// size that the intake takes (256 KiB) fits, escaped.
const MaxLine = 2 << 20

// line is the wire form.
type line struct {
	Received      time.Time       `json:"received"`
	Topic         string          `json:"topic"`
	Payload       json.RawMessage `json:"payload,omitempty"`
	PayloadBase64 string          `json:"payload_base64,omitempty"`
	Retained      bool            `json:"retained,omitempty"`
	Dup           bool            `json:"dup,omitempty"`
}

// LineError is a line that is no message. Reading goes on behind it.
type LineError struct {
	Line int // from 1
	Err  error
}

func (e *LineError) Error() string { return fmt.Sprintf("line %d: %v", e.Line, e.Err) }

// Unwrap gives the cause.
func (e *LineError) Unwrap() error { return e.Err }

// Read yields the messages of a log in its order. A line that cannot be used
// is yielded as a *[LineError] and passed over; any other error ends the log.
func Read(r io.Reader) iter.Seq2[reading.Message, error] {
	return func(yield func(reading.Message, error) bool) {
		in := bufio.NewReaderSize(r, 64<<10)
		var text []byte
		for n := 1; ; n++ {
			var long bool
			var err error
			text, long, err = nextLine(in, text[:0])
			if err != nil && err != io.EOF {
				yield(reading.Message{}, fmt.Errorf("read log at line %d: %w", n, err))
				return
			}
			ended := err == io.EOF
			if body := bytes.TrimSpace(text); long || len(body) > 0 {
				var m reading.Message
				if long {
					err = fmt.Errorf("longer than %d bytes", MaxLine)
				} else {
					m, err = parse(body)
				}
				if err != nil {
					err = &LineError{Line: n, Err: err}
				}
				if !yield(m, err) {
					return
				}
			}
			if ended {
				return
			}
		}
	}
}

// nextLine appends the next line to buf. Of one that is too long nothing is kept.
func nextLine(in *bufio.Reader, buf []byte) (line []byte, long bool, err error) {
	for {
		part, err := in.ReadSlice('\n')
		if long = long || len(buf)+len(part) > MaxLine; long {
			buf = buf[:0]
		} else {
			buf = append(buf, part...)
		}
		if err != bufio.ErrBufferFull {
			return buf, long, err
		}
	}
}

func parse(text []byte) (reading.Message, error) {
	var l line
	if err := json.Unmarshal(text, &l); err != nil {
		return reading.Message{}, fmt.Errorf("not a message: %w", err)
	}
	if l.Topic == "" {
		return reading.Message{}, errors.New("no topic; every line needs received, topic and payload")
	}
	if l.Received.IsZero() {
		return reading.Message{}, errors.New("no receive time; every line needs received in RFC 3339")
	}
	m := reading.Message{Topic: l.Topic, Received: l.Received.UTC(), Retained: l.Retained, Dup: l.Dup, Source: "replay"}
	switch {
	case len(l.Payload) > 0 && l.PayloadBase64 != "":
		return reading.Message{}, errors.New("both payload and payload_base64; keep one")
	case l.PayloadBase64 != "":
		raw, err := base64.StdEncoding.DecodeString(l.PayloadBase64)
		if err != nil {
			return reading.Message{}, fmt.Errorf("payload_base64: %w", err)
		}
		m.Payload = raw
	case len(l.Payload) > 0 && l.Payload[0] == '"':
		var s string
		if err := json.Unmarshal(l.Payload, &s); err != nil {
			return reading.Message{}, fmt.Errorf("payload: %w", err)
		}
		m.Payload = []byte(s)
	default:
		m.Payload = bytes.Clone(l.Payload)
	}
	return m, nil
}

// Writer writes a log.
type Writer struct{ out *bufio.Writer }

// NewWriter writes to w; call Flush at the end.
func NewWriter(w io.Writer) *Writer { return &Writer{bufio.NewWriterSize(w, 256<<10)} }

// Write adds a message. A payload that is a JSON object or array is written as
// it is when no byte is lost by that, other text as a string, the rest as
// base64.
func (w *Writer) Write(m reading.Message) error {
	l := line{Received: m.Received.UTC(), Topic: m.Topic, Retained: m.Retained, Dup: m.Dup}
	switch {
	case structured(m.Payload):
		l.Payload = m.Payload
	case utf8.Valid(m.Payload):
		s, err := json.Marshal(string(m.Payload))
		if err != nil {
			return fmt.Errorf("write message of %s: %w", m.Topic, err)
		}
		l.Payload = s
	default:
		l.PayloadBase64 = base64.StdEncoding.EncodeToString(m.Payload)
	}
	out, err := json.Marshal(l)
	if err != nil {
		return fmt.Errorf("write message of %s: %w", m.Topic, err)
	}
	if _, err := w.out.Write(append(out, '\n')); err != nil {
		return fmt.Errorf("write log: %w", err)
	}
	return nil
}

// structured says whether the payload is one JSON object or array that comes
// back byte for byte: encoding/json compacts raw JSON and escapes some
// characters for HTML, so only what it leaves alone may be written raw.
func structured(p []byte) bool {
	if len(p) == 0 || p[0] != '{' && p[0] != '[' || !json.Valid(p) {
		return false
	}
	same, err := json.Marshal(json.RawMessage(p))
	return err == nil && bytes.Equal(same, p)
}

// Flush writes what is buffered.
func (w *Writer) Flush() error {
	if err := w.out.Flush(); err != nil {
		return fmt.Errorf("write log: %w", err)
	}
	return nil
}
