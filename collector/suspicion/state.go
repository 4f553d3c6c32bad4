package suspicion

import (
	"encoding/binary"
	"errors"
	"fmt"
)

// stateVersion begins every saved state. It changes whenever the layout or the
// meaning of the state does.
const stateVersion = 2

// ErrState says that a saved state is of another version, or damaged.
var ErrState = errors.New("suspicion: saved state cannot be used")

// State appends the watch's state for a checkpoint. Watching on from it gives
// the same as watching from the start.
func (w *Watch) State(out []byte) []byte {
	grown, err := binary.Append(append(out, stateVersion), binary.LittleEndian, &w.s)
	if err != nil {
		panic(fmt.Sprintf("suspicion: state has no fixed size: %v", err)) // a fault of the program, met by any test
	}
	return grown
}

// Restore puts the watch into a state that State gave. On an error the watch is
// empty.
func (w *Watch) Restore(state []byte) error {
	w.s = saved{}
	var s saved
	if len(state) != 1+binary.Size(&s) || state[0] != stateVersion {
		return ErrState
	}
	if _, err := binary.Decode(state[1:], binary.LittleEndian, &s); err != nil {
		return errors.Join(ErrState, err)
	}
	w.s = s
	return nil
}
