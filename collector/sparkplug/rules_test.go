package sparkplug_test

import (
	"flag"
	"fmt"
	"os"
	"strconv"
	"strings"
	"testing"
	"time"

	"github.com/rogpeppe/go-internal/txtar"
	"github.com/stretchr/testify/require"

	"dwindle/collector/sparkplug"
	"dwindle/collector/sparkplug/wire"
)

var update = flag.Bool("update", false, "write what comes out into testdata/rules.txtar; then read it")

const rulesFile = "testdata/rules.txtar"

// epoch is 0s of the scripts.
var epoch = time.Date(2026, 11, 25, 6, 0, 0, 0, time.UTC)

// TestRules runs the scripts of testdata/rules.txtar: what goes in, and below
// it, indented, what comes out. The head of the file says how to read them.
func TestRules(t *testing.T) {
	archive, err := txtar.ParseFile(rulesFile)
	require.NoError(t, err)
	require.NotEmpty(t, archive.Files)
	for i, file := range archive.Files {
		t.Run(file.Name, func(t *testing.T) {
			got := script(t, string(file.Data))
			if *update {
				archive.Files[i].Data = []byte(got)
				return
			}
			require.Equal(t, string(file.Data), got)
		})
	}
	if *update {
		require.NoError(t, os.WriteFile(rulesFile, txtar.Format(archive), 0o644))
	}
}

// script runs one and gives its text with what really comes out.
func script(t *testing.T, text string) string {
	host, err := sparkplug.New(sparkplug.Options{ID: "dwindle", Primary: strings.Contains(text, "# primary")})
	require.NoError(t, err)
	var out strings.Builder
	at := func(now time.Time) string { return now.Sub(epoch).String() }
	tell := func(now time.Time, o sparkplug.Outcome) {
		for _, c := range o.Changes {
			fmt.Fprintf(&out, "\t%s %s is %s, %s: %s\n", at(now), strings.TrimSuffix(c.Edge+"/"+c.Device, "/"), c.State, at(c.At), c.Why)
		}
		for _, m := range o.Messages {
			fmt.Fprintf(&out, "\t%s store %s\n", at(now), shown(t, m.Topic, m.Payload))
		}
		for _, p := range o.Publish {
			text := string(p.Payload)
			if !strings.HasPrefix(text, "{") {
				text = strings.TrimPrefix(shown(t, p.Topic, p.Payload), p.Topic+" ")
			}
			fmt.Fprintf(&out, "\t%s publish %s %s qos=%d retained=%t\n", at(now), p.Topic, text, p.QoS, p.Retained)
		}
	}
	if !strings.Contains(text, "opening") {
		host.Opening(epoch)
		tell(epoch, host.Opened(epoch))
	}
	for line := range strings.Lines(text) {
		if strings.HasPrefix(line, "\t") {
			continue // what came out last time
		}
		words := strings.Fields(line)
		if len(words) == 0 || words[0] == "#" {
			out.WriteString(line)
			continue
		}
		offset, err := time.ParseDuration(words[0])
		require.NoError(t, err, line)
		now := epoch.Add(offset)
		for due, ok := host.Due(); ok && !due.After(now); due, ok = host.Due() {
			tell(due, host.Tick(due))
		}
		out.WriteString(line)
		switch words[1] {
		case "tick":
			tell(now, host.Tick(now))
		case "opening":
			if will, ok := host.Opening(now); ok {
				fmt.Fprintf(&out, "\t%s will %s %s qos=%d retained=%t\n", at(now), will.Topic, will.Payload, will.QoS, will.Retained)
			}
		case "opened":
			tell(now, host.Opened(now))
		case "closing":
			tell(now, sparkplug.Outcome{Publish: host.Closing(now)})
		case "closed":
			tell(now, host.Closed(now))
		case "missed":
			tell(now, host.Missed(words[2], now))
		case "text":
			tell(now, host.Receive(words[2], []byte(strings.Join(words[3:], " ")), true, now))
		case "raw":
			tell(now, host.Receive(words[2], []byte(strings.Join(words[3:], " ")), false, now))
		case "retained":
			topic, payload := message(t, now, words[2:])
			tell(now, host.Receive(topic, payload, true, now))
		default:
			topic, payload := message(t, now, words[1:])
			tell(now, host.Receive(topic, payload, false, now))
		}
	}
	s := host.Stats()
	if strings.Contains(text, "# stats") {
		fmt.Fprintf(&out, "\t%+v\n", s)
	}
	return out.String()
}

// message makes one from its words: a type, a node with or without device, and
// settings or metrics.
func message(t *testing.T, now time.Time, words []string) (topic string, payload []byte) {
	kind, rest, _ := strings.Cut(words[0], "/")
	node, device, _ := strings.Cut(rest, "/")
	topic = "spBv1.0/terminal/" + kind + "/" + node
	if device != "" {
		topic += "/" + device
	}
	ms := func(t time.Time) *uint64 { n := uint64(t.UnixMilli()); return &n }
	p := wire.Payload{Time: ms(now)}
	for _, word := range words[1:] {
		name, value, _ := strings.Cut(word, "=")
		switch name {
		case "seq":
			n, err := strconv.ParseUint(value, 10, 64)
			require.NoError(t, err)
			p.Seq = &n
			continue
		case "sent":
			if value == "" {
				p.Time = nil
				continue
			}
			d, err := time.ParseDuration(value)
			require.NoError(t, err)
			p.Time = ms(epoch.Add(d))
			continue
		}
		var m wire.Metric
		value, m.Historical = strings.CutSuffix(value, "!past")
		name, m.Datatype = datatype(name)
		m.Name = name
		if i := strings.Index(name, "~"); i >= 0 {
			alias, err := strconv.ParseUint(name[i+1:], 10, 64)
			require.NoError(t, err)
			m.Name, m.Alias = name[:i], &alias
		}
		n, err := strconv.ParseUint(value, 10, 64)
		require.NoError(t, err)
		m.Value = wire.Value{Field: wire.IntField, Bits: n}
		p.Metrics = append(p.Metrics, m)
	}
	return topic, wire.Encode(p)
}

// datatype takes the letter behind a name off it: u for UInt32, i for Int16.
func datatype(name string) (string, wire.Datatype) {
	switch {
	case strings.HasSuffix(name, ":u"):
		return name[:len(name)-2], wire.UInt32
	case strings.HasSuffix(name, ":i"):
		return name[:len(name)-2], wire.Int16
	case name == "bdSeq":
		return name, wire.UInt64
	}
	return name, wire.NoDatatype
}

// shown writes a payload in the words that message reads.
func shown(t *testing.T, topic string, payload []byte) string {
	p, err := wire.Decode(payload)
	if err != nil {
		return topic + " malformed"
	}
	var b strings.Builder
	b.WriteString(topic)
	if p.Time != nil {
		fmt.Fprintf(&b, " sent=%s", time.UnixMilli(int64(*p.Time)).UTC().Sub(epoch))
	}
	if p.Seq != nil {
		fmt.Fprintf(&b, " seq=%d", *p.Seq)
	}
	for _, m := range p.Metrics {
		fmt.Fprintf(&b, " %s:%s=%d", strings.ReplaceAll(m.Name, " ", "_"), m.Datatype, m.Value.Bits)
		if m.Historical {
			b.WriteString("!past")
		}
	}
	return b.String()
}
