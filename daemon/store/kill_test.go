package store

import (
	"bufio"
	"context"
	"fmt"
	"math/rand/v2"
	"os"
	"os/exec"
	"path/filepath"
	"strconv"
	"strings"
	"sync"
	"testing"
	"time"

	"fairbore/daemon/event"
)

const (
	childEnv   = "FAIRBORE_STORE_CHILD" // the journal of the child
	childOpens = "FAIRBORE_STORE_OPENS" // the child only opens the journal and closes it
	// childBacksUp is the folder to which the child backs the journal up, and does nothing else.
	childBacksUp = "FAIRBORE_STORE_BACKS_UP"
)

// TestMain lets the test binary also run as the process that is killed.
func TestMain(m *testing.M) {
	if path := os.Getenv(childEnv); path != "" {
		os.Exit(child(path))
	}
	os.Exit(m.Run())
}

// child appends events without a pause. When an event is recorded, child acknowledges it by a line
// on standard output with the event's number and text.
func child(path string) int {
	ctx := context.Background()
	if dir := os.Getenv(childBacksUp); dir != "" {
		if _, err := Backup(ctx, path, dir, "s", time.Now(), nil); err != nil {
			return 1
		}
		return 0
	}
	j, err := Open(ctx, Config{Path: path, Reserve: 64 << 10})
	if err != nil {
		fmt.Println("error:", err)
		return 1
	}
	if os.Getenv(childOpens) != "" {
		j.Close()
		return 0
	}
	j.OnCommit(func(rs []event.Record) {
		var b strings.Builder
		for _, r := range rs {
			fmt.Fprintf(&b, "%d %s\n", r.Seq, r.Note)
		}
		os.Stdout.WriteString(b.String())
	})
	go j.Run(ctx)
	for n := 0; ; n++ {
		batch := make([]event.Event, 1+rand.IntN(5))
		for i := range batch {
			batch[i] = note("bay", fmt.Sprintf("%d/%d", os.Getpid(), n))
		}
		if err := j.Append(ctx, batch); err != nil {
			fmt.Println("error:", err)
			return 1
		}
		if n%50 == 0 {
			j.SetCursor("broker", j.Last())
		}
		if rand.IntN(20) == 0 { // let the queue become empty now and then
			time.Sleep(time.Millisecond)
		}
	}
}

// A process that is killed has recorded every event that it acknowledged. It leaves a journal that
// is sound and can be continued. (The test does not show what happens at a power cut.)
func TestKilled(t *testing.T) {
	rounds := 8
	if testing.Short() {
		rounds = 3
	}
	seed := uint64(time.Now().UnixNano())
	t.Logf("seed %d", seed)
	rng := rand.New(rand.NewPCG(seed, 0))
	cfg := config(t)
	told := map[uint64]string{}
	for range rounds {
		runAndKill(t, cfg.Path, time.Duration(5+rng.IntN(60))*time.Millisecond, told)
		mustVerify(t, cfg.Path)
		v, err := View(t.Context(), cfg.Path)
		if err != nil {
			t.Fatal(err)
		}
		lost := len(told)
		for r, err := range v.Query(t.Context(), Filter{}) {
			if err != nil {
				t.Fatal(err)
			}
			if text, ok := told[r.Seq]; ok {
				if lost--; text != r.Note {
					t.Fatalf("event %d was acknowledged as %q and is %q", r.Seq, text, r.Note)
				}
			}
		}
		if v.Close(); lost != 0 {
			t.Fatalf("%d of %d acknowledged events are lost", lost, len(told))
		}
	}
	if len(told) < rounds {
		t.Errorf("only %d events in %d rounds prove little", len(told), rounds)
	}
	t.Logf("%d rounds, %d events acknowledged", rounds, len(told))
}

func runAndKill(t *testing.T, path string, after time.Duration, told map[uint64]string) {
	t.Helper()
	cmd := exec.CommandContext(t.Context(), os.Args[0])
	cmd.Env = append(os.Environ(), childEnv+"="+path)
	out, err := cmd.StdoutPipe()
	if err != nil {
		t.Fatal(err)
	}
	if err := cmd.Start(); err != nil {
		t.Fatal(err)
	}
	kill := sync.OnceFunc(func() { time.AfterFunc(after, func() { cmd.Process.Kill() }) })
	lines := bufio.NewScanner(out)
	for lines.Scan() {
		line := lines.Text()
		kill() // the time until the kill starts at the first acknowledgement
		number, text, _ := strings.Cut(line, " ")
		seq, err := strconv.ParseUint(number, 10, 64)
		if err != nil {
			if strings.HasPrefix(line, "error:") {
				t.Fatal(line)
			}
			continue // the last line may be cut off
		}
		if strings.Count(text, "/") == 1 && !strings.HasSuffix(text, "/") {
			told[seq] = text
		}
	}
	if err := cmd.Wait(); err == nil {
		t.Fatal("the child ended by itself")
	}
}

// A journal whose creation is killed at any moment is created by the next start, and is not taken
// for an older one or a damaged one.
func TestKilledAtItsCreation(t *testing.T) {
	killed := 0
	for n := range 12 {
		cfg := config(t)
		cfg.Path = filepath.Join(filepath.Dir(cfg.Path), "new", "folder", "journal.db")
		cmd := exec.CommandContext(t.Context(), os.Args[0])
		cmd.Env = append(os.Environ(), childEnv+"="+cfg.Path, childOpens+"=1")
		if err := cmd.Start(); err != nil {
			t.Fatal(err)
		}
		if n%2 == 0 { // from the moment on at which the file is there
			for end := time.Now().Add(10 * time.Second); time.Now().Before(end); {
				if _, err := os.Lstat(cfg.Path); err == nil {
					break
				}
			}
		}
		kill := time.AfterFunc(time.Duration(n*n)*time.Millisecond/4, func() { cmd.Process.Kill() })
		if cmd.Wait() != nil {
			killed++
		}
		kill.Stop()
		j, err := Open(t.Context(), cfg)
		if err != nil {
			t.Fatal(err)
		}
		if len(j.Warnings()) > 0 || j.Last() != 0 {
			t.Errorf("warned of %q; %d events", j.Warnings(), j.Last())
		}
		if err := j.Close(); err != nil {
			t.Fatal(err)
		}
		mustVerify(t, cfg.Path)
	}
	t.Logf("%d of 12 creations were killed", killed)
}
