//go:build unix

package store

import (
	"bytes"
	"errors"
	"fmt"
	"os"
	ossignal "os/signal"
	"strings"
	"syscall"
	"testing"

	"github.com/rs/zerolog"
)

// limitFiles keeps files of this process from growing beyond a size, until the function that it
// returns is called. A write beyond it fails with EFBIG, which SQLite reports as an I/O error
// although the disk has room.
func limitFiles(t *testing.T, size int64) (lift func()) {
	t.Helper()
	ossignal.Ignore(syscall.SIGXFSZ)
	var was syscall.Rlimit
	if err := syscall.Getrlimit(syscall.RLIMIT_FSIZE, &was); err != nil {
		t.Fatal(err)
	}
	now := was
	now.Cur = uint64(size)
	if err := syscall.Setrlimit(syscall.RLIMIT_FSIZE, &now); err != nil {
		t.Fatal(err)
	}
	lift = func() {
		if err := syscall.Setrlimit(syscall.RLIMIT_FSIZE, &was); err != nil {
			t.Error(err)
		}
	}
	t.Cleanup(lift)
	return lift
}

// A disk that fails is told from a full one: the reserve stays, and a person is told to replace the
// disk, not to make room. That it has failed is still said when the journal records again.
func TestFailingDiskIsNotAFullOne(t *testing.T) {
	cfg := config(t)
	var log bytes.Buffer
	cfg.Log = zerolog.New(zerolog.SyncWriter(&log))
	r := start(t, cfg)
	n := 0
	more := func() {
		n++
		r.append(t, note("a", fmt.Sprint(n)))
		r.settleOrFail(t, uint64(n))
	}
	size := func() int64 {
		info, err := os.Stat(cfg.Path + "-wal")
		if err != nil {
			t.Fatal(err)
		}
		return info.Size()
	}
	for size() < 4*probeBytes {
		more()
	}
	lift := limitFiles(t, size())
	more()
	s := r.Status()
	if s.Recording || s.Why.Code != "store.fails" || s.Reserve || s.DiskErrors == 0 || !r.reserve.whole() {
		t.Errorf("while the disk fails: %+v; reserve %v", s, r.reserve.whole())
	}
	lift()
	r.settle(t, uint64(n))
	eventually(t, "recording again", func() bool { return r.Status().Recording })
	if s := r.Status(); s.Why.Code != "store.erred" || s.DiskErrors == 0 {
		t.Errorf("after the disk has failed: %+v", s)
	}
	mustStop(t, r)
	if told := strings.Count(log.String(), "the disk fails"); told != 1 || strings.Contains(log.String(), "make room") {
		t.Errorf("the log tells it %d times:\n%s", told, log.String())
	}
	mustVerify(t, cfg.Path)
}

// A quota that is used up is a full disk, although SQLite reports an I/O error.
func TestQuotaIsAFullDisk(t *testing.T) {
	for _, cause := range []error{syscall.ENOSPC, syscall.EDQUOT} {
		if err := errors.Join(errDamaged, &os.PathError{Op: "write", Err: cause}); !full(err) || explain(err).Code != "store.full" {
			t.Errorf("%v: %v", cause, explain(err))
		}
	}
}
