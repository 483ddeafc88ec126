package daemon_test

import (
	"encoding/json"
	"io"
	"net/http"
	"os"
	"strconv"
	"strings"
	"syscall"
	"testing"
	"time"

	"fairbore/daemon"
	"fairbore/daemon/daemontest"
	"fairbore/daemon/event"
)

// TestMetrics checks that the counts of the daemon can be monitored: readings, rejects by reason,
// losses of the line, the time that the disk takes, and the events that wait for the broker.
func TestMetrics(t *testing.T) {
	r := daemontest.NewRig(t)
	r.Broker = `url: "tcp://` + daemontest.FreePort(t) + `"` // no broker listens there
	r.Plug()
	r.Start()
	r.Master()
	for i := range 7 {
		r.Gauge.Send(daemontest.Frame(i))
		time.Sleep(5 * time.Millisecond)
	}
	r.Gauge.Send("Err\r\n") // an over-range word, or noise that is no frame
	r.Gauge.Send("+31.7x000 mm\r\n")
	const station = `{station="bay2"}`
	is := func(series string, want float64) {
		t.Helper()
		r.Eventually(20*time.Second, series+" "+strconv.FormatFloat(want, 'g', -1, 64), func() bool { return r.Metric(series) == want })
	}
	is("fairbore_readings_total"+station, 7)
	is("fairbore_frames_total"+station, 10) // three of them are readings of the ring
	is("fairbore_port_up"+station, 1)
	is("fairbore_broker_connected", 0)
	r.Eventually(20*time.Second, "two rejects with their reasons", func() bool { return r.Counted(`fairbore_rejects_total{reason="`, "bay2") == 2 })
	events := r.Metric("fairbore_journal_events_total")
	if backlog := r.Metric("fairbore_broker_backlog_events"); backlog != events || events < 12 {
		t.Errorf("%g events wait for the broker, of %g", backlog, events)
	}
	commits, seconds := r.Metric("fairbore_journal_commit_seconds_count"), r.Metric("fairbore_journal_commit_seconds_sum")
	if commits < 2 || commits > events || seconds <= 0 || seconds > commits*20 {
		t.Errorf("%g commits took %g s", commits, seconds)
	}
	if all := r.Metric(`fairbore_journal_commit_seconds_bucket{le="+Inf"}`); all < commits {
		t.Errorf("%g commits in the classes of %g", all, commits)
	}
	if code, _ := r.Get("/nothing"); code != http.StatusNotFound {
		t.Errorf("/nothing: %d", code)
	}
	for _, why := range []string{"passphrase", "guesses", "host", "origin", "connections"} {
		is(`fairbore_page_refused_total{reason="`+why+`"}`, 0)
	}
	if _, body := r.Get("/metrics"); strings.Contains(body, r.Device) {
		t.Error("/metrics names the device")
	}
	if _, body := r.Get("/healthz"); !strings.Contains(body, r.Device) {
		t.Errorf("/healthz does not name the device here: %s", body)
	}
	req, err := http.NewRequest(http.MethodGet, "http://"+r.Web+"/healthz", nil)
	if err != nil {
		t.Fatal(err)
	}
	req.Header.Set("X-Forwarded-For", "192.0.2.1")
	resp, err := http.DefaultClient.Do(req)
	if err != nil {
		t.Fatal(err)
	}
	defer resp.Body.Close()
	if body, err := io.ReadAll(resp.Body); err != nil || strings.Contains(string(body), r.Device) || !strings.Contains(string(body), `"line_open":true`) {
		t.Errorf("/healthz tells a stranger %s, %v", body, err)
	}
	r.Unplug()
	is("fairbore_port_losses_total"+station, 1)
	is("fairbore_port_up"+station, 0)
	code, body := r.Get("/healthz") // the program is healthy without gauge and broker
	var h daemon.Health
	if err := json.Unmarshal([]byte(body), &h); err != nil || code != http.StatusOK || !h.OK || len(h.Why) > 0 || !h.Journal.Recording || float64(h.Journal.DiskErrors) != r.Metric("fairbore_journal_disk_errors_total") {
		t.Fatalf("/healthz without a gauge: %d %s %v", code, body, err)
	}
	if h.Broker == nil || h.Broker.Connected || h.Broker.Why == "" || h.Broker.Backlog < 12 {
		t.Errorf("/healthz: broker %+v, which is away", h.Broker)
	}
	if len(h.Gauges) != 1 || h.Gauges[0].Name != "bay2" || h.Gauges[0].Up || h.Gauges[0].Why == "" {
		t.Errorf("/healthz: stations %+v, of which the gauge is away", h.Gauges)
	}
}

// TestInUse checks that /healthz says when somebody works at a station: with a part in hand, or a
// moment after a reading, also of a ring. A screen goes dark by it.
func TestInUse(t *testing.T) {
	r := daemontest.NewRig(t)
	r.Plug()
	r.Start()
	use := func() bool {
		t.Helper()
		_, body := r.Get("/healthz")
		var h daemon.Health
		if err := json.Unmarshal([]byte(body), &h); err != nil || len(h.Gauges) != 1 {
			t.Fatalf("/healthz: %s %v", body, err)
		}
		return h.Gauges[0].InUse
	}
	if use() {
		t.Error("in use although nothing was read")
	}
	r.Master()
	if !use() {
		t.Error("not in use although a ring was read")
	}
	r.Reading("31.75130", 1)
	again := func() {
		t.Helper()
		r.Stop()
		r.Start() // what came before the start does not count as just now
		r.Eventually(20*time.Second, "the gauge", func() bool { return r.Metric(`fairbore_port_up{station="bay2"}`) == 1 })
	}
	again()
	if !use() {
		t.Error("not in use although a part is in hand")
	}
	if reply := r.Do(event.Action{Do: "disposition", Outcome: "scrap", Reason: "a trial"}); !reply.Done {
		t.Fatalf("scrap: %+v", reply)
	}
	again()
	if use() {
		t.Error("in use although the part is finished and nothing was read since the start")
	}
}

// TestReload checks that jobs are read again on SIGHUP. The current job keeps its limits until it
// is chosen again. A configuration with a fault changes nothing.
func TestReload(t *testing.T) {
	r := daemontest.NewRig(t)
	r.Plug()
	r.Start()
	r.Eventually(20*time.Second, "the job", func() bool { return r.Bore().Job != nil })
	high := func() string { return r.Bore().Job.High.String() }
	before := high()
	config := r.Path("fairbore.yaml")
	change := func(old, now, says string) {
		t.Helper()
		text, err := os.ReadFile(config)
		if err != nil {
			t.Fatal(err)
		}
		changed := strings.Replace(string(text), old, now, 1)
		if changed == string(text) {
			t.Fatalf("no %q in the configuration", old)
		}
		if err := os.WriteFile(config, []byte(changed), 0o600); err != nil {
			t.Fatal(err)
		}
		if err := r.Proc.Process.Signal(syscall.SIGHUP); err != nil {
			t.Fatal(err)
		}
		r.Eventually(20*time.Second, says, func() bool { return strings.Contains(r.Log.String(), says) })
	}
	change("high: 1.25010 in", "high: 1.25020 in", "configuration reloaded")
	if now := high(); now != before {
		t.Errorf("the job in hand has its high limit at %s now, not %s", now, before)
	}
	if reply := r.Do(event.Action{Do: "job", Job: "J-4112", Confirm: true}); !reply.Done {
		t.Fatalf("job: %s", reply.Why)
	}
	r.Eventually(20*time.Second, "the new limit", func() bool { return high() != before })
	after := high()
	change("high: 1.25020 in", "high: 1.24000 in", "configuration not reloaded")
	if reply := r.Do(event.Action{Do: "job", Job: "J-4112", Confirm: true}); !reply.Done {
		t.Fatalf("job: %s", reply.Why)
	}
	time.Sleep(200 * time.Millisecond)
	if now := high(); now != after {
		t.Errorf("a faulty configuration moved the limit to %s from %s", now, after)
	}
}
