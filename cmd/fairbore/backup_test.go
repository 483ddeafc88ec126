package main

import (
	"os"
	"path/filepath"
	"strings"
	"testing"
)

// TestBackupAndRestore checks what a person sees who moves a journal to a new machine.
func TestBackupAndRestore(t *testing.T) {
	journal, stick := noted(t, filepath.Join(t.TempDir(), "journal.db")), t.TempDir()
	code, out, errs := fairbore("backup", journal, stick, "--site", "quarry-lane")
	if code != 0 || !strings.Contains(out, "1 sound") || !strings.Contains(out, "head ") {
		t.Fatalf("exit %d: %s%s", code, out, errs)
	}
	names, _ := filepath.Glob(filepath.Join(stick, "fairbore-quarry-lane-*.db"))
	if len(names) != 1 || !strings.Contains(out, names[0]) {
		t.Fatalf("%q: %s", names, out)
	}
	place := filepath.Join(t.TempDir(), "fairbore", "fairbore.db")
	for _, c := range []struct {
		what, args string
		code       int
		says       string
	}{
		{"to a stick that is away", "backup " + journal + " /nowhere/stick", 1, "is the stick plugged in?"},
		{"on a new machine", "restore " + names[0] + " " + place, 0, "run fairbore check"},
		{"over a journal", "restore " + names[0] + " " + place, 1, "--aside"},
		{"with the old one aside", "restore --aside " + names[0] + " " + place, 0, "aside   " + place + ".before-restore-"},
		{"the restored one", "verify " + place, 0, "1 sound"},
		{"from what is no journal", "restore backup_test.go " + place + "2", 6, "no journal"},
	} {
		if code, out, errs := fairbore(strings.Fields(c.args)...); code != c.code || !strings.Contains(out+errs, c.says) {
			t.Errorf("%s: exit %d, want %d: %s%s", c.what, code, c.code, out, errs)
		}
	}
	if _, err := os.Lstat(place + "2"); err == nil {
		t.Error("what is no journal was restored")
	}
}
