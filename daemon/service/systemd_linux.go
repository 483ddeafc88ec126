package service

import (
	"fmt"
	"io"
	"os"
	"syscall"
	"time"

	"golang.org/x/sys/unix"
)

// monotonic returns the time of CLOCK_MONOTONIC, by which the service manager tells a reload that
// it asked for from an earlier one (sd_notify(3)).
func monotonic() time.Duration {
	var now unix.Timespec
	if unix.ClockGettime(unix.CLOCK_MONOTONIC, &now) != nil { // it never fails on Linux
		return 0
	}
	return time.Duration(now.Nano())
}

// IsJournal reports whether a file is a stream to the journal of systemd. The journal says so in
// JOURNAL_STREAM, by the device and the inode of the stream (systemd.exec(5)).
func IsJournal(w io.Writer) bool {
	f, ok := w.(*os.File)
	if !ok {
		return false
	}
	info, err := f.Stat()
	if err != nil {
		return false
	}
	stat, ok := info.Sys().(*syscall.Stat_t)
	return ok && os.Getenv("JOURNAL_STREAM") == fmt.Sprintf("%d:%d", stat.Dev, stat.Ino)
}
