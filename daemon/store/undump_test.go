package store

import (
	"errors"
	"fmt"
	"math/rand/v2"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"fairbore/daemon/event"
)

// dumpedJournal returns the configuration of a journal with three events on disk and a dump of some
// more, and the path of the dump.
func dumpedJournal(t *testing.T, events int) (Config, string) {
	t.Helper()
	cfg := config(t)
	r := start(t, cfg)
	r.append(t, note("a", "recorded 1"), note("a", "recorded 2"), note("a", "recorded 3"))
	mustStop(t, r)
	j, err := Open(t.Context(), cfg)
	if err != nil {
		t.Fatal(err)
	}
	for n := range events {
		if err := j.Append(t.Context(), []event.Event{note("a", fmt.Sprintf("<dumped> %d", n))}); err != nil {
			t.Fatal(err)
		}
	}
	if err := j.dumpQueue(errors.New("for the test")); err == nil || !strings.Contains(err.Error(), "the next start records them") {
		t.Fatal(err)
	}
	if err := j.Close(); err != nil {
		t.Fatal(err)
	}
	names, err := filepath.Glob(cfg.Path + dumped + "*")
	if err != nil || len(names) != 1 {
		t.Fatalf("%q, %v", names, err)
	}
	return cfg, names[0]
}

// mustHave checks that a journal has its three events and some of a dump, once and in order.
func mustHave(t *testing.T, path string, events int) {
	t.Helper()
	if rep := mustVerify(t, path); rep.Rows != uint64(3+events) {
		t.Errorf("%d rows, want %d", rep.Rows, 3+events)
	}
	v, err := View(t.Context(), path)
	if err != nil {
		t.Fatal(err)
	}
	defer v.Close()
	back, err := v.after(t.Context(), 3, events+1)
	if err != nil {
		t.Fatal(err)
	}
	for n, rec := range back {
		if rec.Note != fmt.Sprintf("<dumped> %d", n) {
			t.Fatalf("event %d is %q", rec.Seq, rec.Note)
		}
	}
}

func reopen(t *testing.T, cfg Config) *Journal {
	t.Helper()
	j, err := Open(t.Context(), cfg)
	if err != nil {
		t.Fatal(err)
	}
	if err := j.Close(); err != nil {
		t.Fatal(err)
	}
	return j
}

// A start that is killed leaves some of the events recorded, or all of them and the dump still
// under its name. The next start records the others, and none a second time.
func TestDumpIsTakenInOnce(t *testing.T) {
	const events = 5
	for have := range events + 1 {
		cfg, name := dumpedJournal(t, events)
		text, err := os.ReadFile(name)
		if err != nil {
			t.Fatal(err)
		}
		d, err := readDump(name)
		if err != nil {
			t.Fatal(err)
		}
		os.Rename(name, filepath.Join(t.TempDir(), "away"))
		j, err := Open(t.Context(), cfg)
		if err != nil {
			t.Fatal(err)
		}
		j.packing.pack(d.events)
		for i := range have {
			if err := j.writer.put(3+uint64(i), []*entry{&d.events[i]}, nil); err != nil {
				t.Fatal(err)
			}
		}
		j.Close()
		for range 2 { // the second time the dump is there again although it was renamed
			if err := os.WriteFile(name, text, 0o640); err != nil {
				t.Fatal(err)
			}
			if w := reopen(t, cfg).Warnings(); len(w) > 0 {
				t.Errorf("with %d events on disk: warned of %q", have, w)
			}
			mustHave(t, cfg.Path, events)
		}
	}
}

// The events of a dump that does not prove itself, or does not follow the journal's end, are not
// recorded. The dump stays, and each start warns of it.
func TestDumpThatDoesNotFit(t *testing.T) {
	lines := func(change func([]string) []string) func(*testing.T, Config, string) {
		return func(t *testing.T, _ Config, name string) {
			text, err := os.ReadFile(name)
			if err != nil {
				t.Fatal(err)
			}
			all := change(strings.SplitAfter(string(text), "\n"))
			if err := os.WriteFile(name, []byte(strings.Join(all, "")), 0o640); err != nil {
				t.Fatal(err)
			}
		}
	}
	for what, spoil := range map[string]func(*testing.T, Config, string){
		"an event changed": lines(func(l []string) []string { l[3] = strings.Replace(l[3], "dumped", "DUMPED", 1); return l }),
		"an event missing": lines(func(l []string) []string { return append(l[:2:2], l[3:]...) }),
		"events swapped":   lines(func(l []string) []string { l[2], l[3] = l[3], l[2]; return l }),
		"the end cut off":  lines(func(l []string) []string { return l[:4] }),
		"a torn line":      lines(func(l []string) []string { l[4] = l[4][:20]; return l }),
		"nothing in it":    lines(func([]string) []string { return nil }),
		"another place":    lines(func(l []string) []string { l[0] = strings.Replace(l[0], `"after":3`, `"after":2`, 1); return l }),
		"no events":        lines(func(l []string) []string { return []string{strings.Replace(l[0], `"events":5`, `"events":0`, 1)} }),
		"another journal": func(t *testing.T, _ Config, name string) {
			_, other := dumpedJournal(t, 5)
			if err := os.Rename(other, name); err != nil {
				t.Fatal(err)
			}
		},
		"a journal that went on": func(t *testing.T, cfg Config, name string) {
			away := filepath.Join(t.TempDir(), "away")
			if err := os.Rename(name, away); err != nil {
				t.Fatal(err)
			}
			r := start(t, cfg)
			r.append(t, note("a", "another"))
			mustStop(t, r)
			if err := os.Rename(away, name); err != nil {
				t.Fatal(err)
			}
		},
	} {
		t.Run(what, func(t *testing.T) {
			cfg, name := dumpedJournal(t, 5)
			spoil(t, cfg, name)
			rows := mustVerify(t, cfg.Path).Rows
			for range 2 {
				if w := reopen(t, cfg).Warnings(); len(w) != 1 || !strings.Contains(w[0], name) {
					t.Errorf("warned of %q", w)
				}
			}
			if rep := mustVerify(t, cfg.Path); rep.Rows != rows {
				t.Errorf("%d rows", rep.Rows)
			}
			if _, err := os.Stat(name); err != nil {
				t.Error(err)
			}
		})
	}
}

// A start that is killed at any moment while it records the events of a dump loses none of them, and
// records none twice.
func TestKilledWhileTakingInADump(t *testing.T) {
	const events = 2000
	seed := uint64(time.Now().UnixNano())
	t.Logf("seed %d", seed)
	rng := rand.New(rand.NewPCG(seed, 0))
	cfg, name := dumpedJournal(t, events)
	text, err := os.ReadFile(name)
	if err != nil {
		t.Fatal(err)
	}
	killed := 0
	for round := 0; round < 12 || killed < 3 && round < 100; round++ {
		cmd := exec.CommandContext(t.Context(), os.Args[0])
		cmd.Env = append(os.Environ(), childEnv+"="+cfg.Path, childOpens+"=1")
		if err := cmd.Start(); err != nil {
			t.Fatal(err)
		}
		kill := time.AfterFunc(time.Duration(rng.IntN(200))*time.Millisecond, func() { cmd.Process.Kill() })
		if cmd.Wait() != nil {
			killed++
		}
		kill.Stop()
		if _, err := os.Stat(name); err != nil { // all were recorded: again from there
			mustHave(t, cfg.Path, events)
			if err := os.WriteFile(name, text, 0o640); err != nil {
				t.Fatal(err)
			}
		}
	}
	reopen(t, cfg)
	mustHave(t, cfg.Path, events)
	t.Logf("%d starts were killed", killed)
}
