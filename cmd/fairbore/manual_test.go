package main

import (
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
	"testing"

	"fairbore/daemon/daemontest"
)

// TestManual checks that man accepts the manual page, and that it tells of each command and flag.
func TestManual(t *testing.T) {
	daemontest.Needs(t, "man")
	code, page, _ := fairbore("man")
	if code != 0 {
		t.Fatalf("exit %d", code)
	}
	file := filepath.Join(t.TempDir(), "fairbore.1")
	if err := os.WriteFile(file, []byte(page), 0o600); err != nil {
		t.Fatal(err)
	}
	man := exec.Command("man", "--warnings", "-E", "UTF-8", "-l", "-Tutf8", file)
	man.Env = append(os.Environ(), "LC_ALL=C.UTF-8")
	var said strings.Builder
	man.Stderr = &said
	out, err := man.Output()
	if err != nil || said.Len() > 0 {
		t.Fatalf("man: %v\n%s", err, &said)
	}
	plain := regexp.MustCompile(".\x08").ReplaceAll(out, nil) // bold is a letter struck twice
	text := strings.Join(strings.Fields(string(plain)), " ")
	for _, want := range []string{"fairbore - the extra hand at the bore gauge", " study lot ", "--subgroup=", "-o, --output=", "64 wrong command line."} {
		if !strings.Contains(text, want) {
			t.Errorf("the page lacks %q:\n%s", want, plain)
		}
	}
}

// TestCompletion checks in the shells themselves what is offered after some words.
func TestCompletion(t *testing.T) {
	for _, shell := range []struct {
		name, ask string
	}{
		{"bash", `. "$0"; COMP_WORDS=("$@"); COMP_CWORD=$(($# - 1)); _fairbore; printf '%s\n' "${COMPREPLY[@]}"`},
		{"fish", `source $argv[1]; complete -C (string join ' ' -- $argv[2..]) | string replace -r '\t.*' ''`},
	} {
		t.Run(shell.name, func(t *testing.T) {
			daemontest.Needs(t, shell.name)
			_, text, _ := fairbore("completion", shell.name)
			file := filepath.Join(t.TempDir(), "fairbore")
			if err := os.WriteFile(file, []byte(text), 0o600); err != nil {
				t.Fatal(err)
			}
			for _, c := range []struct{ words, want string }{
				{"fairbore re", "replay report restore"},
				{"fairbore study ", "gauge lot"},
				{"fairbore export --format ", "csv ndjson xlsx"},
				{"fairbore export j.db --format n", "ndjson"},
				{"fairbore verify --he", "--head"},
				{"fairbore study lot --subg", "--subgroup"},
				{"fairbore completion ", "bash fish"},
				{"fairbore --vers", "--version"},
			} {
				out, err := exec.Command(shell.name, append([]string{"-c", shell.ask, file}, strings.Split(c.words, " ")...)...).CombinedOutput()
				got := strings.Fields(string(out))
				slices.Sort(got)
				if strings.Join(slices.Compact(got), " ") != c.want || err != nil {
					t.Errorf("%q: %q (%v), want %q", c.words, got, err, c.want)
				}
			}
		})
	}
}
