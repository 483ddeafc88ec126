package daemontest

import (
	"context"
	"fmt"
	"io"
	"os"
	"runtime"
	"testing"
	"time"

	"github.com/creack/pty"
	"golang.org/x/term"

	"fairbore/analysis"
	"fairbore/daemon/event"
	"fairbore/daemon/store"
)

// Gauge is the far end of a pseudo-terminal.
type Gauge struct {
	T             testing.TB
	Master, Slave *os.File
}

// Plug makes a pseudo-terminal under the rig's device name.
func (r *Rig) Plug() {
	r.T.Helper()
	m, s := PtyAt(r.T, r.Device)
	r.Gauge = &Gauge{T: r.T, Master: m, Slave: s}
}

// PtyAt makes a pseudo-terminal, its slave under the name link.
func PtyAt(t testing.TB, link string) (master, slave *os.File) {
	t.Helper()
	if runtime.GOOS == "windows" {
		t.Skip("no pseudo-terminals here")
	}
	m, s, err := pty.Open()
	if err != nil {
		t.Fatal(err)
	}
	if _, err := term.MakeRaw(int(s.Fd())); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { m.Close(); s.Close() })
	os.Remove(link)
	if err := os.Symlink(s.Name(), link); err != nil {
		t.Fatal(err)
	}
	return m, s
}

// Unplug removes the gauge and its device name, like pulling out an adapter.
func (r *Rig) Unplug() {
	os.Remove(r.Device)
	r.Gauge.Master.Close()
	r.Gauge.Slave.Close()
}

// Send writes to the line of the gauge.
func (g *Gauge) Send(text string) {
	if _, err := io.WriteString(g.Master, text); err != nil {
		g.T.Errorf("write to the gauge's line: %v", err)
	}
}

// Frame is the i-th distinct value of a load, within the band of the job.
func Frame(i int) string { return fmt.Sprintf("+31.%05d mm\r\n", 65000+i%20000) }

// Master masters the gauge, which shows 0.3 µm too much.
func (r *Rig) Master() {
	r.T.Helper()
	r.Eventually(20*time.Second, "the gauge to be found", func() bool { b := r.Bore(); return b != nil && b.Gauge != nil && !b.Gauge.Lost })
	time.Sleep(400 * time.Millisecond) // after a silence the driver need not doubt the first frame
	if reply := r.Do(event.Action{Do: "master"}); !reply.Done {
		r.T.Fatalf("master: %s", reply.Why)
	}
	for _, shown := range []string{"31.75000", "31.75001", "31.74999"} { // different values, or two that are read together would count as one
		r.Gauge.Send("+" + shown + " mm\r\n")
		time.Sleep(5 * time.Millisecond)
	}
	r.Eventually(20*time.Second, "the mastering", func() bool { return r.Bore().Master.OK })
}

// Reading sends a value and waits until it counts as a reading.
func (r *Rig) Reading(text string, no int) {
	r.T.Helper()
	r.Gauge.Send("+" + text + " mm\r\n")
	r.Eventually(5*time.Second, "reading "+text, func() bool { b := r.Bore(); return b != nil && b.Last != nil && b.Last.No == no })
}

// ReadThrice shows a ring three times. Each time it waits until the value counts, and for longer
// than the bounce, since a busy machine may otherwise read two values as one.
func (r *Rig) ReadThrice(shown string) {
	r.T.Helper()
	for i := range 3 {
		time.Sleep(150 * time.Millisecond)
		r.Gauge.Send("+" + shown + " mm\r\n")
		r.Eventually(5*time.Second, "the ring to count", func() bool { m := r.Bore().Master.Running; return m == nil || len(m.Raw) > i })
	}
}

// Shown waits until a value is the newest reading of the station.
func (r *Rig) Shown(raw analysis.Length) {
	r.T.Helper()
	r.Eventually(10*time.Second, "the reading "+raw.String(), func() bool {
		b := r.Bore()
		return b != nil && b.Last != nil && b.Last.Raw == raw
	})
}

// Taken returns the readings of a station in the journal, in order, after verifying its chain.
func (r *Rig) Taken(station string) (out []event.Reading) {
	r.T.Helper()
	r.JournalReadings()
	return r.TakenSoFar(station)
}

// TakenSoFar is like [Rig.Taken], but the program may still be running.
func (r *Rig) TakenSoFar(station string) (out []event.Reading) {
	r.T.Helper()
	j, err := store.View(context.Background(), r.Journal())
	if err != nil {
		r.T.Fatal(err)
	}
	defer j.Close()
	for rec, err := range j.Query(context.Background(), store.Filter{Station: station, Kinds: []event.Kind{event.Taken}}) {
		if err != nil {
			r.T.Fatal(err)
		}
		out = append(out, *rec.Reading)
	}
	return out
}

// JournalReadings returns all readings of a journal by sequence number, after verifying its chain.
func (r *Rig) JournalReadings() map[uint64]int {
	r.T.Helper()
	path := r.Journal()
	report, err := store.Verify(context.Background(), path, nil)
	if err != nil {
		r.T.Fatal(err)
	}
	if !report.Sound() {
		r.T.Fatalf("journal: %+v", report)
	}
	j, err := store.View(context.Background(), path)
	if err != nil {
		r.T.Fatal(err)
	}
	defer j.Close()
	out := map[uint64]int{}
	for rec, err := range j.Query(context.Background(), store.Filter{Kinds: []event.Kind{event.Taken}}) {
		if err != nil {
			r.T.Fatal(err)
		}
		out[rec.Seq] = int(rec.Reading.Raw)
	}
	return out
}
