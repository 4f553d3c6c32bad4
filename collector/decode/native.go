package decode

import (
	"time"

	"dwindle/collector/reading"
)

// Native decodes one message of the native topic tree
// <prefix>/<site>/<device>/<kind>. Exactly one of the results is meaningful:
// where Kept is not nil, Decoded is empty.
//
// m.Received is taken as it is (a replayed message keeps its own receive
// time); now is used only where it is zero.
func Native(m reading.Message, prefix, site string, reg Register, now time.Time) (Decoded, *Kept) {
	return Decoded{}, &Kept{Reason: NotJSON}
}
