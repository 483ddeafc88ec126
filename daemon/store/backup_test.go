package store

import (
	"context"
	"errors"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"strings"
	"testing"
	"time"
)

// A backup is made while the journal records. It is sound, says its head, and never replaces an
// older one.
func TestBackupOfAJournalThatRecords(t *testing.T) {
	r := start(t, config(t))
	stick := t.TempDir()
	for n := range 2000 {
		r.append(t, note("a", fmt.Sprint(n)))
	}
	r.settle(t, 1)
	made := map[string]bool{}
	for range 2 {
		rep, err := Backup(t.Context(), r.path, stick, `quarry "lane"/1`, morning, nil)
		if err != nil || !rep.Sound() || rep.Rows == 0 {
			t.Fatalf("%+v, %v", rep, err)
		}
		if head, err := r.Head(t.Context(), rep.Rows); err != nil || head.Hash != rep.Head {
			t.Errorf("the backup ends with %s, the journal has %s there; %v", rep.Head, head.Hash, err)
		}
		if !regexp.MustCompile(`^fairbore-quarry--lane--1-20260309T070000Z-[0-9a-f]{8}\.db`).MatchString(filepath.Base(rep.Path)) {
			t.Errorf("it is called %s", rep.Path)
		}
		mustVerify(t, rep.Path)
		made[rep.Path] = true
	}
	if left, err := os.ReadDir(stick); err != nil || len(made) != 2 || len(left) != 2 {
		t.Errorf("%d backups, files %v, %v", len(made), left, err)
	}
	if _, err := Backup(t.Context(), r.path, filepath.Join(stick, "no"), "s", morning, nil); err == nil || !strings.Contains(err.Error(), "is the stick plugged in?") {
		t.Errorf("into nowhere: %v", err)
	}
}

// A backup that is killed at any moment leaves no file that looks like a good one and is not.
func TestBackupKilled(t *testing.T) {
	cfg := config(t)
	fill(t, cfg, 3000)
	stick := t.TempDir()
	for n := range 8 {
		cmd := exec.CommandContext(t.Context(), os.Args[0])
		cmd.Env = append(os.Environ(), childEnv+"="+cfg.Path, childBacksUp+"="+stick)
		if err := cmd.Start(); err != nil {
			t.Fatal(err)
		}
		kill := time.AfterFunc(time.Duration(n*25)*time.Millisecond, func() { cmd.Process.Kill() })
		cmd.Wait()
		kill.Stop()
	}
	names, err := filepath.Glob(filepath.Join(stick, "*.db"))
	for _, name := range names {
		mustVerify(t, name)
	}
	all, _ := os.ReadDir(stick)
	t.Logf("%d backups, %d files, %v", len(names), len(all), err)
}

// A restored journal is the one that was backed up, and goes on. What is there is kept.
func TestRestore(t *testing.T) {
	ctx := t.Context()
	r := start(t, config(t))
	r.append(t, note("a", "1"), note("a", "2"))
	r.settle(t, 2)
	backup, err := Backup(ctx, r.path, t.TempDir(), "s", morning, nil)
	if err != nil {
		t.Fatal(err)
	}
	if _, _, err := Restore(ctx, backup.Path, r.path, true, morning, nil); !errors.Is(err, ErrInUse) {
		t.Errorf("over a journal in use: %v", err)
	}
	r.append(t, note("a", "3"))
	mustStop(t, r)
	if _, _, err := Restore(ctx, backup.Path, r.path, false, morning, nil); !errors.Is(err, ErrExists) {
		t.Errorf("over a journal: %v", err)
	}
	if rep := mustVerify(t, r.path); rep.Rows != 3 {
		t.Errorf("the old journal has %d rows after it was refused", rep.Rows)
	}
	rep, moved, err := Restore(ctx, backup.Path, r.path, true, morning, nil)
	if err != nil || rep.Head != backup.Head || rep.Path != r.path {
		t.Fatalf("%+v, %v", rep, err)
	}
	if old := mustVerify(t, moved); old.Rows != 3 {
		t.Errorf("moved aside: %d rows", old.Rows)
	}
	elsewhere := filepath.Join(t.TempDir(), "new", "machine", "journal.db")
	if _, moved, err := Restore(ctx, backup.Path, elsewhere, false, morning, nil); err != nil || moved != "" {
		t.Errorf("on a new machine: moved %q, %v", moved, err)
	}
	again := start(t, Config{Path: elsewhere, Reserve: -1})
	again.append(t, note("a", "goes on"))
	mustStop(t, again)
	if len(again.Warnings()) > 0 || again.ID() != r.ID() {
		t.Errorf("warned of %q; journal %s, want %s", again.Warnings(), again.ID(), r.ID())
	}
	if rep := mustVerify(t, elsewhere); rep.Rows != 3 {
		t.Errorf("%d rows after it went on", rep.Rows)
	}

	tamper(t, backup.Path, "drop trigger event_update", "update event set body = x'00' where seq = 1")
	nowhere := filepath.Join(t.TempDir(), "journal.db")
	if rep, _, err := Restore(context.Background(), backup.Path, nowhere, false, morning, nil); err == nil && rep.Sound() {
		t.Error("a changed backup was restored")
	}
	if _, err := os.Lstat(nowhere); !errors.Is(err, os.ErrNotExist) {
		t.Errorf("a changed backup left a journal: %v", err)
	}
}
