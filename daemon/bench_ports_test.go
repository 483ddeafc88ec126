package daemon_test

import (
	"encoding/json"
	"fmt"
	"net/http"
	"os"
	"path/filepath"
	"regexp"
	"strconv"
	"strings"
	"sync"
	"testing"
	"time"

	"fairbore/daemon/daemontest"
	"fairbore/daemon/state"
)

// shop is a rig of many stations, each with a gauge of its own.
type shop struct {
	*daemontest.Rig
	names  []string
	gauges []*daemontest.Gauge
}

func newShop(b testing.TB, stations int) *shop {
	s := &shop{Rig: daemontest.NewRig(b)}
	first := s.Device
	for i := range stations {
		name := fmt.Sprintf("bay%d", i+2) // the rig's own station is bay2
		if i > 0 {
			s.Device = s.Path(name)
			s.Beside += fmt.Sprintf("  - {name: %s, title: %s, gauge: G-11, port: %s, job: J-4112, bounce: 1ms, max_rate: 100000}\n", name, name, s.Device)
		}
		s.Plug()
		s.names, s.gauges = append(s.names, name), append(s.gauges, s.Gauge)
	}
	s.Device = first
	return s
}

// all waits until a condition holds for the state of every station.
func (s *shop) all(what string, ok func(*state.Bore) bool) {
	for _, name := range s.names {
		s.Eventually(20*time.Second, what, func() bool {
			resp, err := http.Get("http://" + s.Web + "/station/" + name + "/bore")
			if err != nil {
				return false
			}
			defer resp.Body.Close()
			var bore state.Bore
			return json.NewDecoder(resp.Body).Decode(&bore) == nil && ok(&bore)
		})
	}
}

// masterAll masters all gauges at once.
func (s *shop) masterAll(b testing.TB) {
	s.all("the gauge to be found", func(bore *state.Bore) bool { return bore.Gauge != nil && !bore.Gauge.Lost })
	time.Sleep(400 * time.Millisecond) // after a silence, so that no driver doubts the first frame
	var each sync.WaitGroup
	for i, g := range s.gauges {
		each.Go(func() {
			resp, err := http.Post("http://"+s.Web+"/station/"+s.names[i]+"/do", "application/json", strings.NewReader(`{"do": "master"}`))
			if err != nil {
				b.Error(err)
				return
			}
			resp.Body.Close()
			for n := range 3 { // equal values that are read at once would count as one press
				g.Send(fmt.Sprintf("+0031.7500%d mm\r\n", n))
				time.Sleep(5 * time.Millisecond)
			}
		})
	}
	each.Wait()
	s.all("the mastering", func(bore *state.Bore) bool { return bore.Master.OK })
}

// loadAll plays the same load on every gauge. The starts are spread evenly over one period.
func (s *shop) loadAll(n int, rate float64) map[string][]sent {
	out := map[string][]sent{}
	var mu sync.Mutex
	var each sync.WaitGroup
	for i, g := range s.gauges {
		each.Go(func() {
			time.Sleep(time.Duration(float64(i) / float64(len(s.gauges)) / rate * float64(time.Second)))
			l := load(g, n, rate)
			mu.Lock()
			out[s.names[i]] = l
			mu.Unlock()
		})
	}
	each.Wait()
	return out
}

// memory returns the resident memory of a process and its peak, in MiB.
func memory(b testing.TB, pid int) (now, most float64) {
	text, err := os.ReadFile(fmt.Sprintf("/proc/%d/status", pid))
	if err != nil {
		b.Skip("no /proc here")
	}
	for _, l := range strings.Split(string(text), "\n") {
		f := strings.Fields(l)
		if len(f) < 2 {
			continue
		}
		kib, _ := strconv.ParseFloat(f[1], 64)
		switch f[0] {
		case "VmRSS:":
			now = kib / 1024
		case "VmHWM:":
			most = kib / 1024
		}
	}
	return now, most
}

// kept returns how long the threads of a process have been ready to run but had no processor. This
// is the time that other processes, or too few processors, have cost it.
func kept(pid int) (d time.Duration) {
	tasks, _ := filepath.Glob(fmt.Sprintf("/proc/%d/task/*/schedstat", pid))
	for _, t := range tasks {
		text, err := os.ReadFile(t)
		if f := strings.Fields(string(text)); err == nil && len(f) > 1 { // ns on a processor, ns ready
			ns, _ := strconv.ParseInt(f[1], 10, 64)
			d += time.Duration(ns)
		}
	}
	return d
}

// unitNice returns the nice value that the service unit gives the program. It returns "" if the
// test does not run as root, since only root may set that value.
func unitNice(b *testing.B) string {
	m := regexp.MustCompile(`(?m)^Nice=(-?\d+)$`).FindStringSubmatch(serviceUnit(b))
	if m == nil {
		b.Fatal("the service unit gives no nice value")
	}
	if os.Geteuid() != 0 {
		b.Log("not root: the program runs at the priority of those who send to it and read from it")
		return ""
	}
	return m[1]
}

// Benchmark64Ports plays 100 readings a second on each of 64 ports, through the embedded broker,
// and fails if a reading is lost. It runs for 10 s, or for FAIRBORE_SECONDS. The program has the
// priority of its service unit. On a shop's floor the gauges and the subscriber have processors of
// their own; here they share two with the program.
func Benchmark64Ports(b *testing.B) {
	const ports, rate = 64, 100
	s := newShop(b, ports)
	s.Nice = unitNice(b)
	addr := daemontest.FreePort(b)
	s.Broker = fmt.Sprintf(`embedded: {listen: "%s", anonymous: true}`, addr)
	s.Start()
	m := newMeter(b, addr, "+")
	s.masterAll(b)
	pid := s.Proc.Process.Pid
	for b.Loop() {
		m.reset()
		seconds := number(b, "FAIRBORE_SECONDS", 10)
		idle, _ := memory(b, pid)
		before, waited := cpu(b, pid), kept(pid)
		loads := s.loadAll(rate*seconds, rate)
		m.await(ports * rate * seconds)
		o := m.outcome(loads)
		if o.lost > 0 || o.twice > 0 {
			b.Errorf("%d of %d lost, %d twice or out of order", o.lost, o.sent, o.twice)
		}
		rss, most := memory(b, pid)
		f := figures{}
		f.add("lost", float64(o.lost))
		f.add("p50 ms", o.quantile(0.5))
		f.add("p99 ms", o.quantile(0.99))
		f.add("max ms", o.quantile(1))
		f.add("readings/s", o.rate)
		f.add("rss before MiB", idle)
		f.add("rss after MiB", rss)
		f.add("peak rss MiB", most)
		f.add("cpu ms/1000", ms(cpu(b, pid)-before)/float64(o.sent)*1000)
		f.add("kept waiting ms/1000", ms(kept(pid)-waited)/float64(o.sent)*1000)
		f.report(b)
	}
}
