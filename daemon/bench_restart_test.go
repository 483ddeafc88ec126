package daemon_test

import (
	"context"
	"fmt"
	"net"
	"os"
	"path/filepath"
	"testing"
	"time"

	"fairbore/analysis"
	"fairbore/daemon/daemontest"
	"fairbore/daemon/event"
	"fairbore/daemon/store"
)

// fill makes a journal of that many readings of station bay2, as the gauge and the job of the rig
// would give them. Each part has 48 readings, and each part but the last has its verdict. There is
// a mastering every ten parts.
func fill(b *testing.B, path string, readings int) {
	b.Helper()
	j, err := store.Open(b.Context(), store.Config{Path: path})
	if err != nil {
		b.Fatal(err)
	}
	ctx, stop := context.WithCancel(context.Background())
	done := make(chan error, 1)
	go func() { done <- j.Run(ctx) }()
	at := time.Date(2026, 11, 2, 6, 30, 0, 0, time.UTC)
	made := func(kind event.Kind) event.Event {
		at = at.Add(20 * time.Second)
		return event.Event{Station: "bay2", At: at, Kind: kind, Source: "gauge"}
	}
	const perPart = 48
	mm := analysis.Millimetre
	job := &analysis.Job{
		ID: "J-4112", Title: "spindle sleeve", Unit: analysis.IN, Nominal: 31*mm + 3*mm/4, Limits: analysis.Limits{Low: 31*mm + 3*mm/4, High: 31*mm + 3*mm/4 + mm/400, Target: 31*mm + 3*mm/4 + mm/800},
		Band: analysis.Deviation(mm / 5), Length: 63 * mm, Sections: []analysis.Length{5 * mm, 32 * mm, 58 * mm}, Orientations: []analysis.Angle{0, 90 * analysis.Degree}, Ring: "R-1250",
	}
	plan := job.Plan()
	e := made(event.JobChosen)
	e.Job = job
	events := []event.Event{e}
	for n := range readings {
		serial := fmt.Sprintf("%05d", n/perPart+1)
		if n%(10*perPart) == 0 {
			e = made(event.Mastered)
			e.Master = &event.Master{Number: n/perPart/10 + 1, Ring: analysis.Ring{ID: "R-1250", Size: job.Nominal - 3*analysis.Micrometre/10}, Gauge: "G-11", Of: 3}
			events = append(events, e)
		}
		if n%perPart == 0 {
			e = made(event.PartBegun)
			e.Part = &event.Part{Serial: serial, Count: n/perPart + 1}
			events = append(events, e)
		}
		value, frame := frame16(n)
		raw := analysis.Length(value) * mm / 100_000
		e = made(event.Taken)
		e.Reading = &event.Reading{
			No: n%perPart + 1, Job: job.ID, Part: serial, Gauge: "G-11", How: "button", Mastered: n/perPart/10 + 1, Raw: raw,
			Reading: analysis.Reading{Place: plan[n%len(plan)], Size: raw, At: e.At}, Deviation: analysis.Deviation(raw - job.Target),
			Sent: event.Sent{Digits: int64(value), Places: 5, Unit: analysis.MM, Frame: frame[:len(frame)-2]},
		}
		events = append(events, e)
		if n%perPart == perPart-1 && n < readings-1 { // the last part is still being worked on
			e = made(event.Judged)
			e.Verdict = &event.Verdict{Outcome: event.IsAccepted, Part: serial, Job: job.ID, Round: 7, Readings: perPart, Smallest: job.Low, Largest: job.High}
			events = append(events, e)
		}
		if len(events) >= 500 {
			if err := j.Append(b.Context(), events); err != nil {
				b.Fatal(err)
			}
			events = nil
		}
	}
	if err := j.Append(b.Context(), events); err != nil {
		b.Fatal(err)
	}
	stop()
	if err := <-done; err != nil {
		b.Fatal(err)
	}
	if err := j.Close(); err != nil {
		b.Fatal(err)
	}
}

// BenchmarkRestart measures how long the program takes from its start until it reports that it is
// ready (sd_notify), with 1000 and with a million readings in the journal. The program was killed
// before each start, so that there is a log to recover. FAIRBORE_JOURNAL sets the larger number.
func BenchmarkRestart(b *testing.B) {
	daemontest.Binary(b) // builds the program before the clock runs
	for _, readings := range []int{1000, number(b, "FAIRBORE_JOURNAL", 1_000_000)} {
		b.Run(fmt.Sprintf("readings=%d", readings), func(b *testing.B) {
			r := daemontest.NewRig(b)
			r.Plug()
			journal := r.Path("journal/journal.db")
			if err := os.MkdirAll(filepath.Dir(journal), 0o750); err != nil {
				b.Fatal(err)
			}
			began := time.Now()
			fill(b, journal, readings)
			info, err := os.Stat(journal)
			if err != nil {
				b.Fatal(err)
			}
			b.Logf("%d readings written in %.1f s, %.0f bytes a reading", readings, time.Since(began).Seconds(), float64(info.Size())/float64(readings))
			socket := r.Path("notify")
			b.Setenv("NOTIFY_SOCKET", socket)
			manager, err := net.ListenUnixgram("unixgram", &net.UnixAddr{Name: socket, Net: "unixgram"})
			if err != nil {
				b.Fatal(err)
			}
			defer manager.Close()
			f := figures{}
			for b.Loop() {
				began := time.Now()
				r.Launch()
				hears(b, manager, "READY=1")
				f.add("ready ms", ms(time.Since(began)))
				r.Eventually(20*time.Second, "the page", func() bool { return r.Bore() != nil })
				f.add("page ms", ms(time.Since(began)))
				rss, _ := memory(b, r.Proc.Process.Pid)
				f.add("rss MiB", rss)
				b.StopTimer()
				for i := range 20 {
					r.Gauge.Send(daemontest.Frame(i))
				}
				time.Sleep(200 * time.Millisecond) // so that the log holds something to recover
				r.Kill()
				b.StartTimer()
			}
			f.report(b)
		})
	}
}
