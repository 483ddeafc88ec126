package port

import (
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"strconv"
	"strings"

	"go.bug.st/serial"
	"golang.org/x/sys/unix"
)

func busy(path, who string) error {
	if who == "" {
		who = "a program that this user may not see"
	}
	return refusal{fmt.Errorf("%s: %w: %s; stop it, or give this port another device", path, ErrBusy, who)}
}

// explain says what to do about an error of opening path.
func explain(path string, err error, h Host) error {
	code := serial.PortErrorCode(-1)
	if p := new(serial.PortError); errors.As(err, &p) {
		code = p.Code()
	}
	switch {
	case errors.Is(err, unix.ENOENT):
		return fmt.Errorf("%s does not exist; is the adapter plugged in?", path)
	case errors.Is(err, unix.EACCES), code == serial.PermissionDenied:
		return fmt.Errorf("%s: permission denied; add this user to the group of the device (often dialout) and start again", path)
	case errors.Is(err, unix.EBUSY), code == serial.PortBusy:
		var st unix.Stat_t
		if unix.Stat(path, &st) != nil {
			return busy(path, "")
		}
		return busy(path, h.openers(uint64(st.Rdev)))
	case errors.Is(err, unix.EISDIR), errors.Is(err, unix.ENOTDIR):
		return refuse("%s is not a serial line: %w; give the device file of the gauge's line", path, err)
	}
	return fmt.Errorf("open %s: %w", path, err)
}

// lockHolder names the process that has the lock on a file, from /proc/locks
// (proc(5)), which everybody may read.
func (h Host) lockHolder(dev, ino uint64) string {
	text, err := os.ReadFile(filepath.Join(h.orSystem().Proc, "locks"))
	if err != nil {
		return ""
	}
	want := fmt.Sprintf("%02x:%02x:%d", unix.Major(dev), unix.Minor(dev), ino)
	for line := range strings.Lines(string(text)) {
		if f := strings.Fields(line); len(f) >= 6 && f[1] == "FLOCK" && f[5] == want {
			return h.process(f[4])
		}
	}
	return ""
}

// openers names the processes that have the device open, of those that this
// user may look into, except this one.
func (h Host) openers(dev uint64) string {
	var who []string
	proc := h.orSystem().Proc
	all, err := filepath.Glob(filepath.Join(globQuote(proc), "[0-9]*"))
	if err != nil {
		return ""
	}
	for _, dir := range all {
		pid := filepath.Base(dir)
		if pid != strconv.Itoa(os.Getpid()) && hasOpen(dir, dev) {
			who = append(who, h.process(pid))
		}
	}
	return strings.Join(who, ", ")
}

func hasOpen(dir string, dev uint64) bool {
	fds, err := os.ReadDir(filepath.Join(dir, "fd"))
	if err != nil {
		return false
	}
	for _, fd := range fds {
		name := filepath.Join(dir, "fd", fd.Name())
		// Only devices are looked at, since a file of a dead network would hang us.
		if target, err := os.Readlink(name); err != nil || !strings.HasPrefix(target, "/dev/") {
			continue
		}
		var st unix.Stat_t
		err := unix.Stat(name, &st)
		if err == nil && st.Mode&unix.S_IFMT == unix.S_IFCHR && uint64(st.Rdev) == dev {
			return true
		}
	}
	return false
}

func (h Host) process(pid string) string {
	if pid == strconv.Itoa(os.Getpid()) {
		return "another port of this program"
	}
	if name := attribute(filepath.Join(h.orSystem().Proc, pid), "comm"); name != "" {
		return fmt.Sprintf("process %s (%s)", pid, name)
	}
	return "process " + pid
}
