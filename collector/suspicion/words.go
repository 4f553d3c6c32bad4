package suspicion

import (
	"strconv"
	"time"

	"dwindle/collector/reading"
)

func shown(r reading.Reading) string {
	if r.Quantity == reading.RunRunning {
		if r.Value != 0 {
			return "running"
		}
		return "stopped"
	}
	return short(valueOf(r))
}

func name(q reading.Quantity) string {
	switch q {
	case reading.RunRunning:
		return "the run signal"
	case reading.PulseIncrement:
		return "the report of single pulses"
	case reading.RunHours:
		return "the hour counter"
	case reading.RunSeconds:
		return "the counter of run seconds"
	case reading.PulseCount:
		return "the pulse count"
	case reading.DoseCM3:
		return "the dosed volume"
	case reading.DoseStrokes:
		return "the stroke count"
	}
	return string(q)
}

func instant(t int64) time.Time { return time.UnixMilli(t).UTC() }

func stamp(t int64) string { return instant(t).Format(time.RFC3339) }

func short(x float64) string { return strconv.FormatFloat(x, 'f', -1, 64) }
