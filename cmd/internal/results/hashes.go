package results

import (
	"cmp"
	"encoding/binary"
	"hash/fnv"
	"slices"
)

// handed says what was handed on of one day: for each point a hash of its id and
// one of its line. Two lines of one hash are taken for the same; that a change
// stays unseen so is one chance in 2^32.
type handed []handedLine

type handedLine struct{ id, line uint32 }

func hash(text []byte) uint32 {
	h := fnv.New32a()
	h.Write(text)
	return h.Sum32()
}

// sort readies for has and encode.
func (h handed) sort() {
	slices.SortFunc(h, func(a, b handedLine) int { return cmp.Or(cmp.Compare(a.id, b.id), cmp.Compare(a.line, b.line)) })
}

// has says whether this very line was handed on. It must be sorted.
func (h handed) has(l handedLine) bool {
	_, ok := slices.BinarySearchFunc(h, l, func(a, b handedLine) int { return cmp.Or(cmp.Compare(a.id, b.id), cmp.Compare(a.line, b.line)) })
	return ok
}

func (h handed) encode() []byte {
	out := make([]byte, 0, 8*len(h))
	for _, l := range h {
		out = binary.LittleEndian.AppendUint32(out, l.id)
		out = binary.LittleEndian.AppendUint32(out, l.line)
	}
	return out
}

// decode reads what encode gave; of what is damaged nothing was handed on.
func decode(body []byte) handed {
	if len(body)%8 != 0 {
		return nil
	}
	out := make(handed, 0, len(body)/8)
	for ; len(body) > 0; body = body[8:] {
		out = append(out, handedLine{binary.LittleEndian.Uint32(body), binary.LittleEndian.Uint32(body[4:])})
	}
	out.sort()
	return out
}
