//go:build !linux

package port

import (
	"errors"
	"os"
)

func openPolled(string) (*os.File, error) {
	return nil, errors.New("input devices are read on Linux only; use a scanner with a serial line")
}

func grab(*os.File) error { return nil }
