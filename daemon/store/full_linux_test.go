package store

import (
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"golang.org/x/sys/unix"
)

// smallDisk mounts a file system of 3 MiB. If that is not permitted, it skips the test, unless
// FAIRBORE_ALL asks for all tests.
func smallDisk(t *testing.T) string {
	t.Helper()
	dir := t.TempDir()
	if err := unix.Mount("tmpfs", dir, "tmpfs", 0, "size=3m"); err != nil {
		if os.Getenv("FAIRBORE_ALL") == "" {
			t.Skipf("mount a small file system: %v", err)
		}
		t.Fatalf("mount a small file system: %v", err)
	}
	t.Cleanup(func() {
		if err := unix.Unmount(dir, unix.MNT_DETACH); err != nil {
			t.Error(err)
		}
	})
	return dir
}

// stuff fills the disk to the last block with one file, and returns the path of that file.
func stuff(t *testing.T, dir string) string {
	t.Helper()
	name := unused(filepath.Join(dir, "other people's data"))
	f, err := os.Create(name)
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	block := make([]byte, 4096)
	for {
		if _, err := f.Write(block); errors.Is(err, unix.ENOSPC) {
			return name
		} else if err != nil {
			t.Fatal(err)
		}
	}
}

func TestDiskFullAndBack(t *testing.T) {
	dir := smallDisk(t)
	cfg := Config{Path: filepath.Join(dir, "journal.db"), Reserve: 256 << 10}
	var seen []Status
	r := start(t, cfg, func(j *Journal) { j.OnStatus(func(s Status) { seen = append(seen, s) }) })
	if w := strings.Join(r.Warnings(), "\n"); !strings.Contains(w, "in memory") {
		t.Errorf("tmpfs is not warned of: %q", w)
	}
	r.append(t, note("a", "0"))
	r.settle(t, 1)
	other := stuff(t, dir)

	// The journal still records in the room of its reserve.
	n := 1
	more := func() {
		r.append(t, note("a", fmt.Sprint(n)))
		n++
	}
	for !r.Status().Reserve {
		more()
		r.settleOrFail(t, uint64(n))
	}
	if s := r.Status(); !s.Recording || r.reserve.whole() {
		t.Fatalf("on the reserve: %+v", s)
	}
	// When that room is used up, the journal no longer records. It says so, and keeps new events in
	// its queue.
	for r.Status().Recording {
		more()
		r.settleOrFail(t, uint64(n))
	}
	recorded := r.Last()
	for range 50 {
		more()
	}
	s := r.Status()
	if s.Recording || s.Queued != n-int(recorded) || s.Why.Code != "store.full" || r.Last() != recorded {
		t.Errorf("%d recorded of %d: %+v", recorded, n, s)
	}
	back, err := r.after(t.Context(), recorded-1, 10)
	if err != nil || len(back) != 1 {
		t.Errorf("reading while full: %v, %v", back, err)
	}

	// When there is room again, the journal records the events and restores its reserve by itself.
	if err := os.Remove(other); err != nil {
		t.Fatal(err)
	}
	r.settle(t, uint64(n))
	eventually(t, "the reserve to be back", func() bool { s := r.Status(); return s.Recording && !s.Reserve && r.reserve.whole() })
	mustStop(t, r)
	for i, rec := range r.told {
		if rec.Seq != uint64(i+1) || rec.Note != fmt.Sprint(i) {
			t.Fatalf("event %d is told as %d, %q", i, rec.Seq, rec.Note)
		}
	}
	if rep := mustVerify(t, cfg.Path); rep.Rows != uint64(n) {
		t.Errorf("%d rows, %d appended", rep.Rows, n)
	}
	var on, off, reserve bool
	for _, s := range seen {
		reserve = reserve || s.Reserve && s.Recording
		off = off || !s.Recording
		on = on || off && s.Recording
	}
	if !reserve || !off || !on {
		t.Errorf("told of the reserve %v, of not recording %v, of recording again %v: %+v", reserve, off, on, seen)
	}
}

// Events that can't be recorded at the end are put where they stay, and the error says where. The
// next start records them, in their order, once there is room.
func TestEndOnFullDisk(t *testing.T) {
	for name, elsewhere := range map[string]bool{"beside the journal": false, "in a folder of its own": true} {
		t.Run(name, func(t *testing.T) {
			dir := smallDisk(t)
			cfg := Config{Path: filepath.Join(dir, "journal.db"), Reserve: 256 << 10}
			in := dir
			if elsewhere {
				cfg.DumpDir = t.TempDir()
				in = cfg.DumpDir
			}
			r := start(t, cfg)
			r.append(t, note("a", "0"))
			r.settle(t, 1)
			other := stuff(t, dir)
			n := 1
			for ; r.Status().Recording; n++ {
				r.append(t, note("a", fmt.Sprint(n)))
				r.settleOrFail(t, uint64(n+1))
			}
			for range 300 {
				r.append(t, note("a", fmt.Sprint(n)))
				n++
			}
			err := r.stop()
			recorded := int(r.Last())
			if err == nil || !strings.Contains(err.Error(), fmt.Sprintf("%d events are not recorded", n-recorded)) {
				t.Fatalf("%d of %d recorded: %v", recorded, n, err)
			}
			names, _ := filepath.Glob(filepath.Join(in, "journal.db.unrecorded-*"))
			if len(names) != 1 || !strings.Contains(err.Error(), names[0]) {
				t.Fatalf("files %v; %v", names, err)
			}
			d, err := readDump(names[0])
			if err != nil || len(d.events) != n-recorded {
				t.Fatalf("%d events, want %d; %v", len(d.events), n-recorded, err)
			}
			if len(r.told) != recorded {
				t.Errorf("%d told, %d recorded", len(r.told), recorded)
			}

			stuff(t, dir) // the room of the reserves
			if _, err := Open(t.Context(), cfg); err == nil {
				t.Fatal("a start on the full disk goes on without the events")
			}
			if _, err := os.Stat(names[0]); err != nil {
				t.Fatalf("after a start on the full disk: %v", err)
			}
			if err := os.Remove(other); err != nil {
				t.Fatal(err)
			}
			again := start(t, cfg)
			if again.Last() != uint64(n) {
				t.Fatalf("the journal ends at %d, want %d", again.Last(), n)
			}
			back, err := again.after(t.Context(), 0, 2*n)
			for i, rec := range back {
				if rec.Note != fmt.Sprint(i) {
					t.Fatalf("event %d is %q; %v", i+1, rec.Note, err)
				}
			}
			if head, err := again.Head(t.Context(), uint64(n)); err != nil || head.Hash != fmt.Sprintf("%x", d.hashes[n-recorded-1]) {
				t.Errorf("the chain ends with %s, %v; the dump said %x", head.Hash, err, d.hashes[n-recorded-1])
			}
			if left, _ := filepath.Glob(filepath.Join(in, "journal.db.*recorded-*")); len(left) != 1 || !strings.Contains(left[0], takenIn) {
				t.Errorf("files after that: %q", left)
			}
			mustStop(t, again)
			mustVerify(t, cfg.Path)
		})
	}
}

// A backup on a stick that is full says so, and leaves nothing that looks like a backup.
func TestBackupOnAFullStick(t *testing.T) {
	r := start(t, config(t))
	r.append(t, note("a", "1"))
	r.settle(t, 1)
	stick := smallDisk(t)
	stuff(t, stick)
	_, err := Backup(t.Context(), r.path, stick, "s", morning, nil)
	if !errors.Is(err, errNoRoom) {
		t.Errorf("%v", err)
	}
	if left, _ := filepath.Glob(filepath.Join(stick, "fairbore*")); left != nil {
		t.Errorf("left %q", left)
	}
}

func TestFileSystemOfMagic(t *testing.T) {
	// The numbers are those that statfs(2) lists.
	for magic, want := range map[uint32]fileSystem{0x6969: network, 0xfe534d42: network, 0xff534d42: network, 0x517b: network, 0x01021997: network,
		0x01021994: memory, 0x65735546: unknown, 0xef53: local, 0x9123683e: local} {
		if got, _ := fileSystemOfMagic(magic); got != want {
			t.Errorf("%#x: %d, want %d", magic, got, want)
		}
	}
}
