package mirror

import (
	"context"
	"errors"
	"fmt"
	"net"
	"net/url"
	"strings"
	"time"

	"dwindle/collector/health"
)

// CheckName is the name of the health check.
const CheckName = "influx journal"

// report says in health how the copy does.
func (m *Mirror) report(s State) {
	if s.Err == nil && s.Late(m.opt.Gathers) {
		m.opt.Health.Set(CheckName, health.Bad, fmt.Sprintf("the gateway has forwarded nothing since %s, and forecasts and alarms are as of then", s.Forwarded.Format(time.RFC3339)), "see on the gateway what its check influx says; what it collects comes here later by itself")
		return
	}
	if s.Err == nil && s.Forwarded.IsZero() {
		m.opt.Health.Set(CheckName, health.Warn, "the gateway has not forwarded yet all that it has; forecasts and alarms wait for it", "nothing, if it catches up: `dwindle forward` on the gateway says what waits; else see what its check influx says")
		return
	}
	if s.Err == nil {
		m.opt.Health.Set(CheckName, health.Ok, fmt.Sprintf("the working copy has all that was in InfluxDB at %s", s.Complete.Format(time.RFC3339)), "")
		return
	}
	what := "the working copy is not complete yet"
	if !s.AsOf().IsZero() {
		what = "the working copy is as of " + s.AsOf().Format(time.RFC3339) + ", and so are forecasts and alarms"
	}
	if s.Behind > 0 {
		what += fmt.Sprintf("; %d of %d devices are behind", s.Behind, s.Devices)
	}
	m.opt.Health.Set(CheckName, health.Bad, what+": "+Why(s.Err), "see that InfluxDB runs and can be reached, and that the token may read the bucket; it is tried again by itself")
}

// Why gives the cause for which a run failed, on one short line: where the
// database does not answer, each question of the run failed for that.
func Why(err error) string {
	var u *url.Error
	if errors.As(err, &u) {
		switch {
		case u.Timeout():
			return "InfluxDB does not answer in time"
		case errors.As(u.Err, new(*net.OpError)):
			return "InfluxDB does not answer: " + u.Err.Error()
		}
		return u.Err.Error() // such as no token to ask with
	}
	if errors.Is(err, context.DeadlineExceeded) {
		return "InfluxDB was too slow to give all of it"
	}
	text, _, more := strings.Cut(strings.TrimSpace(err.Error()), "\n")
	if i := strings.LastIndex(text, asked); i > 0 {
		text = text[i:] // it says what for
	}
	if more {
		text += ", and more"
	}
	return text
}

// asked is how errors of questions begin.
const asked = "ask InfluxDB for "
