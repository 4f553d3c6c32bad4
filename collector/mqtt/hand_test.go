package mqtt

import (
	"context"
	"testing"

	"github.com/stretchr/testify/require"
)

func TestWhatIsInHandIsBounded(t *testing.T) {
	h := newHand()
	ended, cancel := context.WithCancel(context.Background())
	cancel()
	half := int64(maxBytesInHand / 2)
	require.NoError(t, h.take(context.Background(), half))
	require.NoError(t, h.take(context.Background(), half))
	require.Error(t, h.take(ended, 1), "there is no room")
	require.Error(t, h.drained(ended), "nothing was given back")
	h.give(half)
	require.NoError(t, h.take(context.Background(), 1))
	h.give(1)
	h.give(half)
	require.NoError(t, h.drained(context.Background()))
	require.NoError(t, h.take(context.Background(), half), "a drained hand can be used")
	h.give(half)
}

func TestAWeightNeverExceedsTheBound(t *testing.T) {
	require.Equal(t, int64(maxBytesInHand), weight("t", make([]byte, maxBytesInHand+1)), "or it could never be taken")
	require.Equal(t, int64(messageOverhead+1+3), weight("t", []byte("abc")))
}
