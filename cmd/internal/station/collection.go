package station

import (
	"runtime"
	"runtime/metrics"
)

// collected has a pointer, so that it is not kept in a block with others.
type collected struct{ _ *int }

// eachCollection tells how many bytes live, now and after each collection of
// garbage, for as long as it is told to go on.
func eachCollection(tell func(live uint64) (goOn bool)) {
	sample := []metrics.Sample{{Name: "/gc/heap/live:bytes"}}
	metrics.Read(sample)
	if !tell(sample[0].Value.Uint64()) {
		return
	}
	// What nobody holds is found by the next collection.
	runtime.SetFinalizer(&collected{}, func(*collected) { eachCollection(tell) })
}
