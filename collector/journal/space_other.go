//go:build !linux

package journal

import (
	"errors"
	"os"
)

// space is known on Linux only.
func space(string) (total, free int64, ok bool) { return 0, 0, false }

func allocate(*os.File, int64) error { return errors.ErrUnsupported }
