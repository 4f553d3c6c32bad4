package meter

import (
	"encoding/binary"
	"errors"
	"fmt"
	"slices"
)

// stateVersion begins every saved state. It changes whenever the layout or
// the meaning of the fold does, so that old checkpoints are folded anew rather
// than misread.
const stateVersion = 3

// ErrState says that a saved state is of another version or group, or
// damaged. Fold from the start, or from an older checkpoint, instead.
var ErrState = errors.New("meter: saved state cannot be used")

// State gives the fold's state for a checkpoint, about 1 kB. Folding on from
// it gives the same intervals, to the last bit, as folding from the start.
func (f *Fold) State() []byte {
	out := []byte{stateVersion, byte(f.group), byte(len(f.shape))}
	out = appendFixed(out, &f.s)
	for i := range f.shape {
		out = appendFixed(out, &f.shape[i])
	}
	return out
}

// appendFixed writes a value of fixed size; it cannot fail for those.
func appendFixed(out []byte, v any) []byte {
	grown, err := binary.Append(out, binary.LittleEndian, v)
	if err != nil {
		panic(fmt.Sprintf("meter: state has no fixed size: %v", err)) // a fault of the program, met by any test
	}
	return grown
}

// Restore puts the fold into a state that State gave. The fold keeps its own
// rules. On an error the fold is empty.
func (f *Fold) Restore(state []byte) error {
	f.s, f.shape = folded{}, f.shape[:0]
	if len(state) < 3 || state[0] != stateVersion || state[1] != byte(f.group) {
		return ErrState
	}
	var s folded
	n := int(state[2])
	var p piece
	if n > maxPieces || len(state) != 3+binary.Size(&s)+n*binary.Size(&p) {
		return ErrState
	}
	at := 3
	used, err := binary.Decode(state[at:], binary.LittleEndian, &s)
	if err != nil {
		return errors.Join(ErrState, err)
	}
	at += used
	pieces := slices.Grow(f.shape, n)[:n]
	for i := range pieces {
		used, err = binary.Decode(state[at:], binary.LittleEndian, &pieces[i])
		if err != nil {
			return errors.Join(ErrState, err)
		}
		at += used
	}
	for _, c := range [...]*Cadence{&s.Lead.Steps, &s.Second.Steps, &s.State.Steps, &s.Events.Steps} {
		if !c.valid() {
			return ErrState
		}
	}
	f.s, f.shape = s, pieces
	return nil
}

// valid says that the counters of a cadence are within its arrays and that
// both hold the same steps.
func (c *Cadence) valid() bool {
	if c.N > cadenceSteps || c.Next >= cadenceSteps || c.N < cadenceSteps && c.Next != c.N {
		return false
	}
	ring := slices.Clone(c.Ring[:c.N])
	slices.Sort(ring)
	return slices.Equal(ring, c.Order[:c.N])
}
