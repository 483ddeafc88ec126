package store

import (
	"context"
	"errors"
	"io/fs"
	"os"
	"path/filepath"
	"slices"
	"testing"

	"fairbore/daemon/event"
)

// Each folder that a new journal needs is synced into the folder above it. What can't be synced
// matters only where a folder was made.
func TestNewFoldersAreSynced(t *testing.T) {
	top := t.TempDir()
	dir := filepath.Join(top, "a", "b", "c")
	var synced []string
	sync := func(dir string) error {
		synced = append(synced, dir)
		if len(dir) < len(top) {
			return fs.ErrPermission
		}
		return nil
	}
	for range 2 { // an earlier start may have been killed before it synced
		synced = nil
		if err := makeFolders(dir, sync); err != nil {
			t.Fatal(err)
		}
		if want := []string{filepath.Join(top, "a", "b"), filepath.Join(top, "a"), top}; !slices.Equal(synced[:3], want) {
			t.Errorf("synced %q, want %q first", synced, want)
		}
	}
	bad := errors.New("no")
	if err := makeFolders(filepath.Join(dir, "d"), func(string) error { return bad }); !errors.Is(err, bad) {
		t.Errorf("a new folder that can't be synced: %v", err)
	}
}

// All files of a journal can be read by its group, and by nobody else.
func TestModesOfFiles(t *testing.T) {
	cfg := config(t)
	r := start(t, cfg)
	r.append(t, note("a", "1"))
	r.settle(t, 1)
	r.suspected()
	names, err := filepath.Glob(cfg.Path + "*")
	if err != nil || len(names) < 6 {
		t.Fatalf("%q, %v", names, err)
	}
	for _, name := range names {
		if info, err := os.Lstat(name); err != nil || info.Mode() != 0o640 {
			t.Errorf("%s: %v, %v", name, info.Mode(), err)
		}
	}
}

// No file that the journal makes beside itself is made through a symbolic link.
func TestSymbolicLinksAreNotFollowed(t *testing.T) {
	cfg := config(t)
	victim := filepath.Join(t.TempDir(), "victim")
	if err := os.WriteFile(victim, []byte("of somebody else"), 0o600); err != nil {
		t.Fatal(err)
	}
	link := func(suffix string) {
		t.Helper()
		if err := os.Symlink(victim, cfg.Path+suffix); err != nil {
			t.Fatal(err)
		}
	}
	link(".lock")
	if _, err := Open(t.Context(), cfg); err == nil {
		t.Error("the lock was made through a link")
	}
	os.Remove(cfg.Path + ".lock")
	for _, suffix := range []string{".reserve", ".suspect"} {
		link(suffix)
	}
	r := start(t, cfg)
	r.append(t, note("a", "1"))
	r.settle(t, 1)
	r.suspected()
	if !r.reserve.whole() {
		t.Error("a link stands in the place of the reserve")
	}
	mustStop(t, r)
	if text, err := os.ReadFile(victim); err != nil || string(text) != "of somebody else" {
		t.Errorf("the other file holds %d bytes, %v", len(text), err)
	}
	if err := os.Symlink(filepath.Join(t.TempDir(), "nothing"), cfg.Path+"2"); err != nil {
		t.Fatal(err)
	}
	cfg.Path += "2"
	if _, err := Open(t.Context(), cfg); err == nil {
		t.Error("a journal was begun through a link")
	}
}

// A journal that is opened through a symbolic link has one lock, whatever it is called.
func TestLinkedJournalIsLockedOnce(t *testing.T) {
	r := start(t, config(t))
	link := filepath.Join(t.TempDir(), "link.db")
	if err := os.Symlink(r.path, link); err != nil {
		t.Fatal(err)
	}
	if _, err := Open(t.Context(), Config{Path: link}); !errors.Is(err, ErrInUse) {
		t.Errorf("opened a second time through a link: %v", err)
	}
}

// A commit may reach the disk although it reported an error. The next try of it may have more
// events; then those that have landed are told once, and the others are recorded after them.
func TestLandedBeforeALargerGroup(t *testing.T) {
	r, err := Open(t.Context(), config(t))
	if err != nil {
		t.Fatal(err)
	}
	add := func(texts ...string) {
		t.Helper()
		for _, s := range texts {
			if err := r.Append(t.Context(), []event.Event{note("a", s)}); err != nil {
				t.Fatal(err)
			}
		}
	}
	add("1", "2")
	head := r.writer.head
	if err := r.writer.put(0, r.queue.group(), nil); err != nil {
		t.Fatal(err)
	}
	r.writer.head = head // as after a commit that reported an error
	add("3")
	var told []string
	r.OnCommit(func(rs []event.Record) {
		for _, rec := range rs {
			told = append(told, rec.Note)
		}
	})
	ctx, cancel := context.WithCancel(t.Context())
	cancel()
	if err := errors.Join(r.Run(ctx), r.Close()); err != nil {
		t.Fatal(err)
	}
	if !slices.Equal(told, []string{"1", "2", "3"}) {
		t.Errorf("told %q", told)
	}
	mustVerify(t, r.path)
}
