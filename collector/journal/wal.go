package journal

import (
	"encoding/binary"
	"fmt"
	"io"
	"os"
)

// The write-ahead log ends, for SQLite, with the first frame whose checksum
// does not hold: that is how it tells a commit that the power cut short. A frame
// that went bad later ends it just so, silently, with all that was committed
// behind it. The two can be told apart: a commit is on disk before the next one
// begins (synchronous=FULL), so a bad frame with a whole commit and more behind
// it was good once. (Layout and checksums: sqlite.org, WAL-mode File Format.)

const (
	walHead   = 32
	frameHead = 24
	walMost   = 1 << 30 // bytes; a longer log is not looked through
)

// LogDamage looks through the write-ahead log beside a store that nobody has
// open. It is ErrDamaged where commits are in it that SQLite would pass over.
func LogDamage(path string) error {
	f, err := os.Open(path + "-wal")
	if err != nil {
		return nil // there is none; or opening the store says more
	}
	defer f.Close()
	info, err := f.Stat()
	if err != nil || info.Size() <= walHead || info.Size() > walMost {
		return nil
	}
	var head [walHead]byte
	if _, err := io.ReadFull(f, head[:]); err != nil {
		return nil
	}
	var order binary.ByteOrder
	switch binary.BigEndian.Uint32(head[:]) {
	case 0x377f0682:
		order = binary.LittleEndian
	case 0x377f0683:
		order = binary.BigEndian
	default:
		return fmt.Errorf("%w: %s-wal has %d bytes and does not begin as a write-ahead log", ErrDamaged, path, info.Size())
	}
	page := int64(binary.BigEndian.Uint32(head[8:]))
	if page < 512 || page > 65536 || page&(page-1) != 0 {
		return fmt.Errorf("%w: %s-wal says that pages have %d bytes", ErrDamaged, path, page)
	}
	sum := walSum(order, [2]uint32{}, head[:24])
	if sum != [2]uint32{binary.BigEndian.Uint32(head[24:]), binary.BigEndian.Uint32(head[28:])} {
		return fmt.Errorf("%w: the head of %s-wal does not hold", ErrDamaged, path)
	}
	salt := string(head[16:24])
	frame := make([]byte, frameHead+page)
	bad, commit := 0, false // the first bad frame, from 1; a whole commit behind it
	for n := 1; ; n++ {
		if _, err := io.ReadFull(f, frame); err != nil {
			return nil
		}
		if string(frame[8:16]) != salt { // left over from before the log began anew
			if bad == 0 {
				return nil
			}
			continue
		}
		sum = walSum(order, walSum(order, sum, frame[:8]), frame[frameHead:])
		stored := [2]uint32{binary.BigEndian.Uint32(frame[16:]), binary.BigEndian.Uint32(frame[20:])}
		holds := sum == stored
		sum = stored // each frame's sum goes on from the one before as it is stored
		switch {
		case !holds && bad == 0:
			bad = n
		case holds && commit:
			return fmt.Errorf("%w: frame %d of %s-wal does not hold, and whole commits lie behind it", ErrDamaged, bad, path)
		case holds && bad > 0:
			commit = binary.BigEndian.Uint32(frame[4:]) != 0 // ends a commit
		}
	}
}

func walSum(order binary.ByteOrder, s [2]uint32, b []byte) [2]uint32 {
	for ; len(b) >= 8; b = b[8:] {
		s[0] += order.Uint32(b) + s[1]
		s[1] += order.Uint32(b[4:]) + s[0]
	}
	return s
}
