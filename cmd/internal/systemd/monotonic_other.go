//go:build !linux

package systemd

import "errors"

func monotonic() (us int64, err error) { return 0, errors.ErrUnsupported }
