package port

import (
	"errors"
	"fmt"
	"os"
	"os/user"
	"path/filepath"
	"strconv"
	"strings"

	"go.bug.st/serial"
	"golang.org/x/sys/unix"

	"fairbore/analysis"
)

// busy returns the refusal of a device that another program has open. who names that program as
// [Host.process] does, and is "" if this user may not see it.
func busy(path, who string) error {
	why := analysis.Say("port.busy", path, who)
	switch who {
	case "":
		why = analysis.Say("port.busy_hidden", path)
	case strconv.Itoa(os.Getpid()):
		why = analysis.Say("port.busy_here", path)
	}
	return refusal{fault{why, ErrBusy}}
}

// explain returns an error that says what to do after opening path failed with err.
func explain(path string, err error, h Host) error {
	code := serial.PortErrorCode(-1)
	if p := new(serial.PortError); errors.As(err, &p) {
		code = p.Code()
	}
	switch {
	case errors.Is(err, unix.ENOENT):
		return analysis.Say("port.missing", path)
	case errors.Is(err, unix.EACCES), code == serial.PermissionDenied:
		return noPermission(path)
	case errors.Is(err, unix.EBUSY), code == serial.PortBusy:
		var st unix.Stat_t
		if unix.Stat(path, &st) != nil {
			return busy(path, "")
		}
		return busy(path, h.openers(uint64(st.Rdev)))
	case errors.Is(err, unix.EISDIR), errors.Is(err, unix.ENOTDIR):
		return refuse("port.not_serial", path, err)
	}
	return fault{analysis.Say("port.open", path, err), err}
}

// noPermission says what to do so that this user may open a device.
func noPermission(path string) analysis.Phrase {
	var st unix.Stat_t
	if unix.Stat(path, &st) != nil || st.Mode&0o060 != 0o060 {
		return analysis.Say("port.owner_only", path)
	}
	group := strconv.Itoa(int(st.Gid))
	if g, err := user.LookupGroupId(group); err == nil {
		group = g.Name
	}
	return analysis.Say("port.no_permission", path, group)
}

// Hindrance says why this program could not open a serial line or an input device now, and what to
// do. It is zero if nothing hinders. Hindrance opens nothing, since that would disturb a gauge that
// is in use.
func (h Host) Hindrance(path string) analysis.Phrase {
	var st unix.Stat_t
	input := strings.HasPrefix(path, inputDevices)
	switch err := unix.Stat(path, &st); {
	case errors.Is(err, unix.ENOENT):
		return analysis.Say("port.missing", path)
	case err != nil:
		return analysis.Say("port.open", path, err)
	case input && unix.Access(path, unix.R_OK) != nil:
		return analysis.Say("port.input_permission", path, unix.EACCES)
	case !input && unix.Access(path, unix.R_OK|unix.W_OK) != nil:
		return noPermission(path)
	}
	who := h.lockHolder(uint64(st.Dev), st.Ino)
	if who == "" && !input {
		who = h.openers(uint64(st.Rdev))
	}
	if who == "" {
		return analysis.Phrase{}
	}
	return reason(busy(path, who))
}

// lockHolder names the process that holds the lock on a file. It reads /proc/locks (proc(5)), which
// every user may read.
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

// openers names the processes that have the device open. It leaves out this process and the
// processes that this user may not inspect.
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
		// Only devices are examined, since Stat on a file of a dead network would hang.
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

// process returns the number and the name of a process. It returns the number alone for this
// process and for a process whose name can't be read.
func (h Host) process(pid string) string {
	name := attribute(filepath.Join(h.orSystem().Proc, pid), "comm")
	if name == "" || pid == strconv.Itoa(os.Getpid()) {
		return pid
	}
	return fmt.Sprintf("%s (%s)", pid, name)
}
