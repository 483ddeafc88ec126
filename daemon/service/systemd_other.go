//go:build !linux

package service

import (
	"io"
	"time"
)

// monotonic returns 0: only systemd asks for its clock, and systemd is on Linux only.
func monotonic() time.Duration { return 0 }

// IsJournal reports whether a file is a stream to the journal of systemd, which is on Linux only.
func IsJournal(io.Writer) bool { return false }
