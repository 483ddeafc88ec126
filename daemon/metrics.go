package daemon

import (
	"net/http"
	"sync"
	"time"

	"github.com/prometheus/client_golang/prometheus"
	"github.com/prometheus/client_golang/prometheus/promhttp"

	"fairbore/daemon/event"
	"fairbore/drivers"
)

// metrics shows the health of the daemon at /metrics, in the text format of Prometheus. The labels
// are stations and reasons, which are few. A label is never a job, a part, a serial number or the
// address of a device. So anybody may read them, as anybody may look at the page.
// Metrics are for monitoring and do not replace the record.
type metrics struct{ d *Daemon }

func (d *Daemon) metrics() http.Handler {
	reg := prometheus.NewRegistry()
	reg.MustRegister(metrics{d})
	return promhttp.HandlerFor(reg, promhttp.HandlerOpts{})
}

// counted holds the counters of a station's line. The goroutine of the station counts; anyone may
// read.
type counted struct {
	mu      sync.Mutex
	frames  uint64
	rejects map[drivers.Reason]uint64
	taken   uint64    // readings
	refused uint64    // captured values that can't belong to the job
	last    time.Time // when a value was captured, of a part or of a ring
}

// read returns when a value was captured last, the zero time for never since the start.
func (c *counted) read() time.Time {
	c.mu.Lock()
	defer c.mu.Unlock()
	return c.last
}

func (c *counted) events(events []event.Event) {
	c.mu.Lock()
	defer c.mu.Unlock()
	for i := range events {
		switch events[i].Kind {
		case event.Taken, event.Refused, event.RingRead:
			c.last = time.Now()
		}
		switch events[i].Kind {
		case event.Taken:
			c.taken++
		case event.Refused:
			c.refused++
		}
	}
}

func (c *counted) reject(r drivers.Reason) {
	c.mu.Lock()
	defer c.mu.Unlock()
	if c.rejects == nil {
		c.rejects = map[drivers.Reason]uint64{}
	}
	c.rejects[r]++
}

func (c *counted) set(frames uint64) {
	c.mu.Lock()
	c.frames = frames
	c.mu.Unlock()
}

func desc(name, help string, labels ...string) *prometheus.Desc {
	return prometheus.NewDesc("fairbore_"+name, help, labels, nil)
}

// Describe implements prometheus.Collector. It describes nothing, since the metrics are made when
// they are collected.
func (m metrics) Describe(chan<- *prometheus.Desc) {}

// Collect implements prometheus.Collector.
func (m metrics) Collect(out chan<- prometheus.Metric) {
	counter := func(name, help string, v uint64) {
		out <- prometheus.MustNewConstMetric(desc(name, help), prometheus.CounterValue, float64(v))
	}
	gauge := func(name, help string, v float64) {
		out <- prometheus.MustNewConstMetric(desc(name, help), prometheus.GaugeValue, v)
	}
	j := m.d.journal.Status()
	counter("journal_events_total", "Events in the journal.", j.Last)
	gauge("journal_queued_events", "Events that wait for the disk.", float64(j.Queued))
	gauge("journal_recording", "1 if the journal records, 0 if the disk takes nothing.", flag(j.Recording))
	counter("journal_disk_errors_total", "Errors of the journal's disk, other than for want of room.", j.DiskErrors)
	l := m.d.journal.Latency()
	out <- prometheus.MustNewConstHistogram(desc("journal_commit_seconds", "How long the commits took that put events on the disk."), l.Commits, l.Sum.Seconds(), l.Within)
	gauge("journal_free_bytes", "Free bytes on the journal's disk.", float64(j.FreeBytes))
	if m.d.pub != nil {
		p := m.d.pub.Status()
		gauge("broker_connected", "1 if the broker is connected.", flag(p.Connected))
		gauge("broker_backlog_events", "Events not yet acknowledged by the broker.", float64(p.Backlog))
		counter("broker_published_total", "Events acknowledged by the broker, repeats included.", p.Published)
	}
	if m.d.web != nil {
		for why, n := range m.d.web.Refused() {
			out <- prometheus.MustNewConstMetric(desc("page_refused_total", "What the page refused: wrong passphrases, guesses over the budget, names that are not this machine's, other sites' pages, connections.", "reason"),
				prometheus.CounterValue, float64(n), why)
		}
	}
	if m.d.broker != nil {
		m.embedded(out)
	}
	for _, s := range m.d.stations {
		m.station(s, out)
	}
}

// embedded tells of the broker inside.
func (m metrics) embedded(out chan<- prometheus.Metric) {
	b := m.d.broker.Stats()
	out <- prometheus.MustNewConstMetric(desc("embedded_clients", "Clients of the broker inside."), prometheus.GaugeValue, float64(b.Clients))
	counter := func(name, help string, v uint64, labels ...string) {
		d := desc(name, help)
		if len(labels) > 0 {
			d = desc(name, help, "reason")
		}
		out <- prometheus.MustNewConstMetric(d, prometheus.CounterValue, float64(v), labels...)
	}
	counter("embedded_received_total", "Messages that the broker inside has taken.", b.Received)
	counter("embedded_sent_total", "Messages that the broker inside has sent.", b.Sent)
	counter("embedded_dropped_total", "Messages that a client of the broker inside did not get, being too slow or away for too long.", b.Dropped)
	const refused = "Connections, log-ins, subscriptions and messages that the broker inside has refused."
	counter("embedded_refused_total", refused, b.Refused, "right")
	counter("embedded_refused_total", refused, b.Guesses, "password")
	counter("embedded_refused_total", refused, b.Crowded, "place")
	const cut = "Clients that the broker inside has cut off: a faulty packet, one that reads nothing, a fault of the broker."
	counter("embedded_cut_total", cut, b.Malformed, "packet")
	counter("embedded_cut_total", cut, b.Slow, "slow")
	counter("embedded_cut_total", cut, b.Panics, "panic")
}

func (m metrics) station(s *station, out chan<- prometheus.Metric) {
	counter := func(name, help string, v uint64) {
		out <- prometheus.MustNewConstMetric(desc(name, help, "station"), prometheus.CounterValue, float64(v), s.name)
	}
	p := s.inputs[0].Status()
	out <- prometheus.MustNewConstMetric(desc("port_up", "1 if the gauge's line is open.", "station"), prometheus.GaugeValue, flag(p.Up), s.name)
	counter("port_bytes_total", "Bytes read from the gauge.", p.Counters.Bytes)
	counter("port_losses_total", "Times the line was lost.", p.Counters.Losses)
	counter("port_line_errors_total", "Places with a damaged or missing byte.", p.Counters.LineErrors)
	s.counts.mu.Lock()
	defer s.counts.mu.Unlock()
	counter("frames_total", "Frames that gave a value.", s.counts.frames)
	counter("readings_total", "Readings taken of parts.", s.counts.taken)
	counter("refusals_total", "Values that were captured and refused, as those outside the band of the job; the journal has their reasons.", s.counts.refused)
	if s.visits != nil {
		kept, dropped := s.visits.Counts()
		counter("visits_kept_total", "Visits to a bore whose samples were kept.", kept)
		counter("visits_dropped_total", "Visits that the disk did not take.", dropped)
	}
	for reason, n := range s.counts.rejects {
		out <- prometheus.MustNewConstMetric(desc("rejects_total", "Frames and runs of noise that gave no value, by reason.", "station", "reason"),
			prometheus.CounterValue, float64(n), s.name, string(reason))
	}
}

func flag(b bool) float64 {
	if b {
		return 1
	}
	return 0
}
