//go:build !mutant_forward

package outbox

// inOrder: the journal goes on behind a parcel once the receiver has it, never
// before.
func inOrder(hand, note func() error) error {
	if err := hand(); err != nil {
		return err
	}
	return note()
}
