package journal

import (
	"bytes"
	"compress/flate"
	"errors"
	"fmt"
	"io"
	"sync"
)

// A fold's state is about 1 kB, most of it zeros. Packed it takes a fraction,
// and there is one for each series and day.

var packers = sync.Pool{New: func() any {
	w, err := flate.NewWriter(io.Discard, flate.BestSpeed)
	if err != nil {
		panic(err) // a constant level: cannot be
	}
	return w
}}

var unpackers = sync.Pool{New: func() any { return &unpacker{flate: flate.NewReader(bytes.NewReader(nil))} }}

type unpacker struct {
	flate io.ReadCloser
	in    bytes.Reader
	out   bytes.Buffer
}

// pack makes a state small. It never gives nil.
func pack(state []byte) []byte {
	if len(state) == 0 {
		return []byte{}
	}
	var out bytes.Buffer
	w := packers.Get().(*flate.Writer)
	defer packers.Put(w)
	w.Reset(&out)
	_, _ = w.Write(state) // a buffer takes everything
	_ = w.Close()
	return out.Bytes()
}

// stateMost bounds what a packed state may grow to, so that a damaged one
// cannot take all memory.
const stateMost = 1 << 20

// ErrState means that a saved state of a fold cannot be read. It is derived
// data: what it stood for follows from the readings.
var ErrState = errors.New("a saved state of the daily figures cannot be read")

// unpack is the reverse of pack.
func unpack(packed []byte) ([]byte, error) {
	if len(packed) == 0 {
		return nil, nil
	}
	r := unpackers.Get().(*unpacker)
	defer unpackers.Put(r)
	r.in.Reset(packed)
	r.out.Reset()
	if err := r.flate.(flate.Resetter).Reset(&r.in, nil); err != nil {
		return nil, fmt.Errorf("%w: %w", ErrState, err)
	}
	if _, err := r.out.ReadFrom(io.LimitReader(r.flate, stateMost)); err != nil {
		return nil, fmt.Errorf("%w: %w", ErrState, err)
	}
	return bytes.Clone(r.out.Bytes()), nil
}
