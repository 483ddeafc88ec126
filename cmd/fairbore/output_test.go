package main

import (
	"os"
	"path/filepath"
	"strings"
	"testing"
)

// TestOutputIsNoFileOfAJournal checks that no command writes its output over a file that belongs to
// a journal, under whatever name.
func TestOutputIsNoFileOfAJournal(t *testing.T) {
	dir := t.TempDir()
	journal := noted(t, filepath.Join(dir, "journal.db"))
	csv := filepath.Join(dir, "gauge.csv")
	if err := os.WriteFile(csv, []byte("part,operator,size_um\n1,A,1\n"), 0o600); err != nil {
		t.Fatal(err)
	}
	elsewhere := t.TempDir()
	folder := filepath.Join(elsewhere, "folder")
	if err := os.Symlink(dir, folder); err != nil {
		t.Fatal(err)
	}
	try := func(what, out string, command ...string) {
		t.Helper()
		code, _, errs := fairbore(append(command, "-o", out)...)
		if code != 1 || !strings.Contains(errs, "belongs to") {
			t.Errorf("%s -o %s (%s): exit %d, %s", command[0], out, what, code, errs)
		}
	}
	for _, suffix := range []string{"-wal", "-shm", "-sessions", ".lock", ".reserve", ".reserve-end", ".suspect", ".unrecorded-20260309T080000Z.ndjson", ""} {
		file := journal + suffix
		if suffix != "" {
			try("not there", file, "study", "gauge", csv)
			if err := os.WriteFile(file, []byte("told"), 0o640); err != nil {
				t.Fatal(err)
			}
		}
		before, err := os.ReadFile(file)
		if err != nil {
			t.Fatal(err)
		}
		name := "link" + suffix
		soft, hard := filepath.Join(elsewhere, "soft"+name), filepath.Join(elsewhere, "hard"+name)
		if err := os.Symlink(file, soft); err != nil {
			t.Fatal(err)
		}
		if err := os.Link(file, hard); err != nil {
			t.Fatal(err)
		}
		for what, out := range map[string]string{"by its name": file, "by a link": soft, "through a folder": filepath.Join(folder, filepath.Base(file)), "by another name": hard} {
			try(what, out, "export", journal)
			try(what, out, "report", journal)
			if what != "by another name" { // which only the journal that is read tells
				try(what, out, "study", "gauge", csv)
				try(what, out, "listen", "/dev/nowhere")
			}
		}
		if after, err := os.ReadFile(file); err != nil || string(after) != string(before) {
			t.Errorf("%s holds %d bytes, %v", file, len(after), err)
		}
		for _, p := range []string{soft, hard} {
			if err := os.Remove(p); err != nil {
				t.Fatal(err)
			}
		}
	}
	part := noted(t, filepath.Join(dir, "other.part"))
	before, _ := os.ReadFile(part)
	try("whose half file is a journal", strings.TrimSuffix(part, ".part"), "export", journal)
	if after, err := os.ReadFile(part); err != nil || string(after) != string(before) {
		t.Errorf("%s holds %d bytes, %v", part, len(after), err)
	}
}
