package results

import (
	"bytes"
	"encoding/binary"
	"encoding/json"
	"fmt"
)

func numberBody(n int64) []byte { return binary.LittleEndian.AppendUint64(nil, uint64(n)) }

// number reads what numberBody gave; of what is damaged nothing is known.
func number(body []byte) int64 {
	if len(body) != 8 {
		return 0
	}
	return int64(binary.LittleEndian.Uint64(body))
}

// eachRow reads rows of a JSON array one by one: all at once would take many
// times their size.
func eachRow[T any](body []byte, fn func(T) error) error {
	dec := json.NewDecoder(bytes.NewReader(body))
	if _, err := dec.Token(); err != nil {
		return fmt.Errorf("read issued forecasts: %w", err)
	}
	for dec.More() {
		var row T
		if err := dec.Decode(&row); err != nil {
			return fmt.Errorf("read issued forecasts: %w", err)
		}
		if err := fn(row); err != nil {
			return err
		}
	}
	return nil
}
