// Package daemontest runs the whole program for tests, with a gauge on a pseudo-terminal, brokers,
// and the page.
package daemontest

import (
	"bytes"
	"cmp"
	"context"
	"errors"
	"fmt"
	"net/http"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"syscall"
	"testing"
	"time"
)

// Rig is a shop of one station: folder, configuration, gauge and program.
type Rig struct {
	T      testing.TB
	Dir    string
	Web    string   // address of the page
	Store  string   // path of the journal; empty: journal/journal.db in the folder
	Broker string   // lines of the configuration under broker
	Key    string   // path of the key that signs heads; empty: none
	Kind   string   // of the gauge; empty: two-point
	Asks   string   // configuration of the page, after its address
	More   string   // lines of the configuration of the station
	Beside string   // lines of the configuration, more stations
	NoJobs bool     // no job is known
	Nice   string   // priority of the program, see nice(1); empty: that of the test
	Runs   []string // the program, and what runs it; empty: the one that is built for the tests
	Device string   // path of the gauge's line
	Gauge  *Gauge
	Proc   *exec.Cmd
	Log    LockedBuffer
}

// NewRig returns a shop in which nothing is running yet.
func NewRig(t testing.TB) *Rig {
	r := &Rig{T: t, Dir: t.TempDir(), Web: FreePort(t)}
	r.Device = filepath.Join(r.Dir, "gauge")
	return r
}

// ring is the ring of a shop without jobs.
const ring = `rings: {R-1250: {size: 31.74970 mm, u: 0.25 um}}
`

// sleeveJob is the job of the whole shop.
const sleeveJob = `rings: {R-1250: {size: 31.74970 mm, u: 0.25 um}, R-1254: {size: 31.84970 mm, u: 0.25 um}}
jobs:
  J-4112:
    title: spindle sleeve
    material: tool steel
    unit: in
    nominal: 31.75 mm
    low: 1.25000 in
    high: 1.25010 in
    length: 63.5 mm
    sections: [5 mm, 32 mm, 58 mm]
    orientations: [0, 90]
    ring: R-1250
`

const rigConfig = `version: 1
site: test
journal: {path: %[1]s, key_file: "%[9]s"}
web: {listen: "%[2]s"%[7]s}
recordings: {dir: %[6]s}
broker: {%[3]s}
mastering: {readings: 3, spread: 0.5 um, max_age: 8h, max_readings: 0}
guard: simple
gauges: {G-11: {driver: line, unit: mm, kind: %[8]s, step: 0.1 um, repeatability: 0.15 um}}
%[10]sstations:
  - {name: bay2, title: hone bay 2, gauge: G-11, port: %[4]s, %[11]sbounce: 1ms, max_rate: 100000, %[5]s}
`

// Path returns the path of a file in the rig's folder.
func (r *Rig) Path(name string) string { return filepath.Join(r.Dir, name) }

// Journal returns the path of the journal.
func (r *Rig) Journal() string { return cmp.Or(r.Store, r.Path("journal/journal.db")) }

// Write writes the configuration and returns its path.
func (r *Rig) Write() string {
	r.T.Helper()
	p := r.Path("fairbore.yaml")
	jobs, job := sleeveJob, "job: J-4112, "
	if r.NoJobs {
		jobs, job = ring, ""
	}
	text := fmt.Sprintf(rigConfig, r.Journal(), r.Web, r.Broker, r.Device, r.More, r.Path("recordings"), r.Asks, cmp.Or(r.Kind, "two-point"), r.Key, jobs, job) + r.Beside
	if err := os.WriteFile(p, []byte(text), 0o600); err != nil {
		r.T.Fatal(err)
	}
	return p
}

// Start starts the program and waits until its page answers.
func (r *Rig) Start() {
	r.T.Helper()
	r.Launch()
	r.Eventually(time.Minute, "the page to answer", func() bool { return r.Bore() != nil })
}

// Fresh starts the program with a configuration in which nothing is set up yet, and waits until its
// page answers.
func (r *Rig) Fresh() {
	r.T.Helper()
	p := r.Path("fairbore.yaml")
	text := fmt.Sprintf("version: 1\njournal: {path: %s}\nrecordings: {dir: %s}\nweb: {listen: %q}\n", r.Journal(), r.Path("recordings"), r.Web)
	if err := os.WriteFile(p, []byte(text), 0o640); err != nil {
		r.T.Fatal(err)
	}
	r.Again()
}

// Again starts the program with the configuration that is there, and waits until its page answers.
func (r *Rig) Again() {
	r.T.Helper()
	r.launchWith(r.Path("fairbore.yaml"))
	r.Eventually(time.Minute, "the page to answer", func() bool {
		resp, err := http.Get("http://" + r.Web + "/setup/state")
		return err == nil && resp.Body.Close() == nil && resp.StatusCode == http.StatusOK
	})
}

// Launch starts the program.
func (r *Rig) Launch() {
	r.T.Helper()
	r.launchWith(r.Write())
}

// launchWith starts the program with a configuration of its own.
func (r *Rig) launchWith(config string) {
	r.T.Helper()
	command := r.Runs
	if command == nil {
		command = []string{Binary(r.T)}
	}
	command = append(slices.Clone(command), "run", "-c", config)
	if r.Nice != "" {
		command = append([]string{"nice", "-n", r.Nice}, command...)
	}
	first := r.Proc == nil
	r.Proc = exec.Command(command[0], command[1:]...)
	r.Proc.Stderr, r.Proc.Stdout = &r.Log, &r.Log
	if err := r.Proc.Start(); err != nil {
		r.T.Fatal(err)
	}
	if !first {
		return
	}
	r.T.Cleanup(func() {
		if r.Proc != nil && r.Proc.ProcessState == nil {
			r.Kill()
		}
		if r.T.Failed() {
			r.T.Logf("log of the program:\n%s", r.Log.tail(4000))
		}
	})
}

// Kill ends the program without warning.
func (r *Rig) Kill() {
	r.Proc.Process.Kill()
	r.Proc.Wait()
}

// Stop ends the program properly, and fails the test if it reports an error.
func (r *Rig) Stop() {
	r.T.Helper()
	r.Proc.Process.Signal(syscall.SIGTERM)
	if err := r.Proc.Wait(); err != nil {
		r.T.Errorf("the program ended with %v", err)
	}
}

// Exit runs the program until it ends by itself. It returns the exit code and the messages.
func (r *Rig) Exit(args ...string) (int, string) {
	r.T.Helper()
	ctx, cancel := context.WithTimeout(context.Background(), 3*time.Minute) // allows for a busy machine
	defer cancel()
	out, err := exec.CommandContext(ctx, Binary(r.T), args...).CombinedOutput()
	var ended *exec.ExitError
	if err != nil && !errors.As(err, &ended) || ctx.Err() != nil {
		r.T.Fatalf("fairbore %s: %v\n%s", strings.Join(args, " "), err, out)
	}
	if ended != nil {
		return ended.ExitCode(), string(out)
	}
	return 0, string(out)
}

// Eventually waits until a condition holds, and fails the test if it does not in time.
func (r *Rig) Eventually(limit time.Duration, what string, ok func() bool) {
	r.T.Helper()
	for end := time.Now().Add(limit); !ok(); time.Sleep(10 * time.Millisecond) {
		if time.Now().After(end) {
			r.T.Fatalf("waited %s for %s", limit, what)
		}
		if r.Proc != nil && r.Proc.ProcessState != nil {
			r.T.Fatalf("the program has ended: %s", r.Proc.ProcessState)
		}
	}
}

const shopConfig = `version: 1
site: test
journal: {path: %[1]s}
web: {listen: "%[2]s"}
recordings: {dir: %[3]s}
guard: simple
` + sleeveJob + `%[4]s`

// Shop starts the program with other gauges and stations. The rig looks at station bay2.
func (r *Rig) Shop(gauges, stations string) {
	r.T.Helper()
	p := r.Path("fairbore.yaml")
	text := fmt.Sprintf(shopConfig, r.Journal(), r.Web, r.Path("recordings"), "gauges:\n"+gauges+"stations:\n"+stations)
	if err := os.WriteFile(p, []byte(text), 0o600); err != nil {
		r.T.Fatal(err)
	}
	r.launchWith(p)
	r.Eventually(10*time.Second, "the page to answer", func() bool { return r.Bore() != nil })
}

// LockedBuffer collects text from several goroutines.
type LockedBuffer struct {
	mu sync.Mutex
	b  bytes.Buffer
}

// Write implements io.Writer.
func (l *LockedBuffer) Write(p []byte) (int, error) {
	l.mu.Lock()
	defer l.mu.Unlock()
	return l.b.Write(p)
}

// String returns what was collected.
func (l *LockedBuffer) String() string {
	l.mu.Lock()
	defer l.mu.Unlock()
	return l.b.String()
}

func (l *LockedBuffer) tail(n int) string {
	s := l.String()
	return s[max(0, len(s)-n):]
}
