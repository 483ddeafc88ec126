package daemon_test

import (
	"bufio"
	"bytes"
	"cmp"
	"context"
	"encoding/json"
	"fmt"
	"io"
	"net"
	"net/http"
	"os"
	"os/exec"
	"path/filepath"
	"runtime"
	"strconv"
	"strings"
	"sync"
	"syscall"
	"testing"
	"time"

	"github.com/creack/pty"
	"golang.org/x/term"

	"fairbore/daemon/event"
	"fairbore/daemon/state"
)

// needs skips a test whose peer is not installed. Where FAIRBORE_ALL is set, as in
// .ci/test, nothing is skipped.
func needs(t testing.TB, programs ...string) {
	t.Helper()
	for _, p := range programs {
		if _, err := exec.LookPath(p); err != nil {
			missing(t, p+" is not installed")
		}
	}
}

func missing(t testing.TB, why string) {
	t.Helper()
	if os.Getenv("FAIRBORE_ALL") != "" {
		t.Fatal(why)
	}
	t.Skip(why)
}

var build = sync.OnceValues(func() (string, error) {
	dir, err := os.MkdirTemp("", "fairbore-test-")
	if err != nil {
		return "", err
	}
	bin := filepath.Join(dir, "fairbore")
	out, err := exec.Command("go", "build", "-o", bin, "fairbore/cmd/fairbore").CombinedOutput()
	if err != nil {
		return "", fmt.Errorf("build: %w\n%s", err, out)
	}
	return bin, nil
})

func TestMain(m *testing.M) {
	code := m.Run()
	if bin, err := build(); err == nil { // made by whichever test needed it, or now and at once taken away
		os.RemoveAll(filepath.Dir(bin))
	}
	os.Exit(code)
}

func binary(t testing.TB) string {
	t.Helper()
	bin, err := build()
	if err != nil {
		t.Fatal(err)
	}
	return bin
}

func freePort(t testing.TB) string {
	t.Helper()
	ln, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	defer ln.Close()
	return ln.Addr().String()
}

// rig is a shop of one station: folder, configuration, gauge and program.
type rig struct {
	t      testing.TB
	dir    string
	web    string // address of the page
	broker string // lines of the configuration under broker
	kind   string // of gauge; empty: two-point
	asks   string // of the configuration of the page, after its address
	more   string // lines of the configuration of the station
	beside string // lines of the configuration, more stations
	nice   string // the program's, as of nice(1); empty: as the test
	device string // path of the gauge's line
	gauge  *gauge
	proc   *exec.Cmd
	log    lockedBuffer
}

func newRig(t testing.TB) *rig {
	r := &rig{t: t, dir: t.TempDir(), web: freePort(t)}
	r.device = filepath.Join(r.dir, "gauge")
	return r
}

// sleeveJob is the job that all of the shop works to.
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
journal: {path: %[1]s}
web: {listen: "%[2]s"%[7]s}
recordings: {dir: %[6]s}
broker: {%[3]s}
mastering: {readings: 3, spread: 0.5 um, max_age: 8h, max_readings: 0}
guard: simple
gauges: {G-11: {driver: line, unit: mm, kind: %[8]s, step: 0.1 um, repeatability: 0.15 um}}
` + sleeveJob + `stations:
  - {name: bay2, title: hone bay 2, gauge: G-11, port: %[4]s, job: J-4112, bounce: 1ms, %[5]s}
`

func (r *rig) path(name string) string { return filepath.Join(r.dir, name) }

// write writes the configuration and returns its path.
func (r *rig) write() string {
	r.t.Helper()
	p := r.path("fairbore.yaml")
	journal := r.path("journal/journal.db")
	text := fmt.Sprintf(rigConfig, journal, r.web, r.broker, r.device, r.more, r.path("recordings"), r.asks, cmp.Or(r.kind, "two-point")) + r.beside
	if err := os.WriteFile(p, []byte(text), 0o600); err != nil {
		r.t.Fatal(err)
	}
	return p
}

// start starts the program and waits until its page answers.
func (r *rig) start() {
	r.t.Helper()
	r.launch()
	r.eventually(time.Minute, "the page to answer", func() bool { return r.bore() != nil })
}

func (r *rig) launch() {
	r.t.Helper()
	r.launchWith(r.write())
}

// launchWith starts the program with a configuration of its own.
func (r *rig) launchWith(config string) {
	r.t.Helper()
	command := []string{binary(r.t), "run", "-c", config}
	if r.nice != "" {
		command = append([]string{"nice", "-n", r.nice}, command...)
	}
	r.proc = exec.Command(command[0], command[1:]...)
	r.proc.Stderr, r.proc.Stdout = &r.log, &r.log
	if err := r.proc.Start(); err != nil {
		r.t.Fatal(err)
	}
	proc := r.proc
	r.t.Cleanup(func() {
		if proc.ProcessState == nil {
			proc.Process.Kill()
			proc.Wait()
		}
		if r.t.Failed() {
			r.t.Logf("log of the program:\n%s", r.log.tail(4000))
		}
	})
}

func (r *rig) kill() {
	r.proc.Process.Kill()
	r.proc.Wait()
}

// stop ends the program in order and fails the test if it ends badly.
func (r *rig) stop() {
	r.t.Helper()
	r.proc.Process.Signal(syscall.SIGTERM)
	if err := r.proc.Wait(); err != nil {
		r.t.Errorf("the program ended with %v", err)
	}
}

func (r *rig) eventually(limit time.Duration, what string, ok func() bool) {
	r.t.Helper()
	for end := time.Now().Add(limit); !ok(); time.Sleep(10 * time.Millisecond) {
		if time.Now().After(end) {
			r.t.Fatalf("waited %s for %s", limit, what)
		}
		if r.proc != nil && r.proc.ProcessState != nil {
			r.t.Fatalf("the program has ended: %s", r.proc.ProcessState)
		}
	}
}

// bore asks the page for the state, nil if it does not answer.
func (r *rig) bore() *state.Bore { return r.boreOf("bay2") }

func (r *rig) boreOf(station string) *state.Bore {
	resp, err := http.Get("http://" + r.web + "/station/" + station + "/bore")
	if err != nil {
		return nil
	}
	defer resp.Body.Close()
	var b state.Bore
	if resp.StatusCode != http.StatusOK || json.NewDecoder(resp.Body).Decode(&b) != nil {
		return nil
	}
	return &b
}

// get returns what the program serves at a path, and its status.
func (r *rig) get(path string) (code int, body string) {
	r.t.Helper()
	resp, err := http.Get("http://" + r.web + path)
	if err != nil {
		r.t.Fatal(err)
	}
	defer resp.Body.Close()
	text, err := io.ReadAll(resp.Body)
	if err != nil {
		r.t.Fatal(err)
	}
	return resp.StatusCode, string(text)
}

// metrics returns the series of /metrics with their values (Prometheus
// documentation, "Exposition formats").
func (r *rig) metrics() map[string]float64 {
	r.t.Helper()
	code, body := r.get("/metrics")
	if code != http.StatusOK {
		r.t.Fatalf("/metrics: %d", code)
	}
	all := map[string]float64{}
	for l := range strings.Lines(body) {
		l = strings.TrimSpace(l)
		at := strings.LastIndexByte(l, ' ')
		if at < 0 || l[0] == '#' {
			continue
		}
		v, err := strconv.ParseFloat(l[at+1:], 64)
		if err != nil {
			r.t.Fatalf("%q: %v", l, err)
		}
		all[l[:at]] = v
	}
	return all
}

// metric returns the value of a series, -1 if it is not there.
func (r *rig) metric(series string) float64 {
	r.t.Helper()
	if v, ok := r.metrics()[series]; ok {
		return v
	}
	return -1
}

// counted sums the series of a station whose names begin so.
func (r *rig) counted(name, station string) (sum float64) {
	r.t.Helper()
	for series, v := range r.metrics() {
		if strings.HasPrefix(series, name) && strings.Contains(series, `"`+station+`"`) {
			sum += v
		}
	}
	return sum
}

func (r *rig) do(a event.Action) event.Reply {
	r.t.Helper()
	body, err := json.Marshal(a)
	if err != nil {
		r.t.Fatal(err)
	}
	resp, err := http.Post("http://"+r.web+"/station/bay2/do", "application/json", bytes.NewReader(body))
	if err != nil {
		r.t.Fatal(err)
	}
	defer resp.Body.Close()
	var reply event.Reply
	if err := json.NewDecoder(resp.Body).Decode(&reply); err != nil {
		r.t.Fatal(err)
	}
	return reply
}

// master masters the gauge: it shows 0.3 µm too much.
func (r *rig) master() {
	r.t.Helper()
	r.eventually(20*time.Second, "the gauge to be found", func() bool { b := r.bore(); return b != nil && b.Gauge != nil && !b.Gauge.Lost })
	time.Sleep(400 * time.Millisecond) // the gauge is silent first, so that the driver need not doubt its first frame
	if reply := r.do(event.Action{Do: "master"}); !reply.Done {
		r.t.Fatalf("master: %s", reply.Why)
	}
	for _, shown := range []string{"31.75000", "31.75001", "31.74999"} { // different, or two that are read at once would be one press
		r.gauge.send("+" + shown + " mm\r\n")
		time.Sleep(5 * time.Millisecond)
	}
	r.eventually(20*time.Second, "the mastering", func() bool { return r.bore().Master.OK })
}

// gauge is the far end of a pseudo-terminal.
type gauge struct {
	t             testing.TB
	master, slave *os.File
}

// plug makes a pseudo-terminal under the rig's device name.
func (r *rig) plug() {
	r.t.Helper()
	m, s := ptyAt(r.t, r.device)
	r.gauge = &gauge{t: r.t, master: m, slave: s}
}

// ptyAt makes a pseudo-terminal, its slave under the name link.
func ptyAt(t testing.TB, link string) (master, slave *os.File) {
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

// unplug takes the gauge and its name away, as pulling an adapter does.
func (r *rig) unplug() {
	os.Remove(r.device)
	r.gauge.master.Close()
	r.gauge.slave.Close()
}

func (g *gauge) send(text string) {
	if _, err := io.WriteString(g.master, text); err != nil {
		g.t.Errorf("write to the gauge's line: %v", err)
	}
}

// frame is the i-th distinct value of a load, within the band of the job.
func frame(i int) string { return fmt.Sprintf("+31.%05d mm\r\n", 65000+i%20000) }

// mosquitto is a broker of the outside world.
type mosquitto struct {
	t    testing.TB
	addr string
	conf string
	proc *exec.Cmd
}

func newMosquitto(t testing.TB, dir string, lines ...string) *mosquitto {
	m := &mosquitto{t: t, addr: freePort(t), conf: filepath.Join(dir, "mosquitto.conf")}
	_, port, _ := net.SplitHostPort(m.addr)
	text := "user root\nset_tcp_nodelay true\nmax_queued_messages 0\nlistener " + port + " 127.0.0.1\n" + strings.Join(lines, "\n") + "\n"
	if err := os.WriteFile(m.conf, []byte(text), 0o600); err != nil {
		t.Fatal(err)
	}
	m.start()
	t.Cleanup(m.kill)
	return m
}

func (m *mosquitto) start() {
	m.t.Helper()
	m.proc = exec.Command("mosquitto", "-c", m.conf)
	if err := m.proc.Start(); err != nil {
		m.t.Fatal(err)
	}
	for end := time.Now().Add(5 * time.Second); ; time.Sleep(10 * time.Millisecond) {
		c, err := net.Dial("tcp", m.addr)
		if err == nil {
			c.Close()
			return
		}
		if time.Now().After(end) {
			m.t.Fatalf("mosquitto does not listen: %v", err)
		}
	}
}

func (m *mosquitto) kill() {
	m.proc.Process.Kill()
	m.proc.Wait()
}

// stop ends the broker in order, so that it saves what it has.
func (m *mosquitto) stop() {
	m.proc.Process.Signal(syscall.SIGTERM)
	m.proc.Wait()
}

// sub is mosquitto_sub on all topics of the site, collecting lines of topic and payload.
type sub struct {
	mu    sync.Mutex
	lines []string
	proc  *exec.Cmd
}

func subscribe(t testing.TB, addr string, args ...string) *sub {
	t.Helper()
	host, port, _ := net.SplitHostPort(addr)
	s := &sub{proc: exec.Command("mosquitto_sub", append([]string{"-h", host, "-p", port, "-q", "1", "-v", "-t", "fairbore/1/test/#"}, args...)...)}
	out, err := s.proc.StdoutPipe()
	if err != nil {
		t.Fatal(err)
	}
	s.proc.Stderr = os.Stderr
	if err := s.proc.Start(); err != nil {
		t.Fatal(err)
	}
	go func() {
		in := bufio.NewScanner(out)
		in.Buffer(nil, 1<<20)
		for in.Scan() {
			s.mu.Lock()
			s.lines = append(s.lines, in.Text())
			s.mu.Unlock()
		}
	}()
	t.Cleanup(func() { s.proc.Process.Kill(); s.proc.Wait() })
	return s
}

// records returns the records that came on a topic's last word, in order.
func (s *sub) records(t testing.TB, leaf string) []event.Record {
	t.Helper()
	s.mu.Lock()
	defer s.mu.Unlock()
	var out []event.Record
	for _, l := range s.lines {
		topic, payload, _ := strings.Cut(l, " ")
		if !strings.HasSuffix(topic, "/bay2/"+leaf) {
			continue
		}
		var r event.Record
		if err := json.Unmarshal([]byte(payload), &r); err != nil {
			t.Fatalf("%s: %v", l, err)
		}
		out = append(out, r)
	}
	return out
}

func (s *sub) has(text string) bool {
	s.mu.Lock()
	defer s.mu.Unlock()
	for _, l := range s.lines {
		if strings.Contains(l, text) {
			return true
		}
	}
	return false
}

// viewer follows the page's stream and keeps the numbers of the readings that it showed as recorded.
type viewer struct {
	mu   sync.Mutex
	seqs map[uint64]bool
}

func (r *rig) view(ctx context.Context) *viewer {
	v := &viewer{seqs: map[uint64]bool{}}
	go func() {
		for ctx.Err() == nil {
			v.follow(ctx, "http://"+r.web+"/station/bay2/stream")
			time.Sleep(20 * time.Millisecond)
		}
	}()
	return v
}

func (v *viewer) follow(ctx context.Context, url string) {
	req, err := http.NewRequestWithContext(ctx, http.MethodGet, url, nil)
	if err != nil {
		return
	}
	resp, err := http.DefaultClient.Do(req)
	if err != nil {
		return
	}
	defer resp.Body.Close()
	in := bufio.NewScanner(resp.Body)
	in.Buffer(nil, 1<<20)
	kind := ""
	for in.Scan() {
		if e, ok := strings.CutPrefix(in.Text(), "event: "); ok {
			kind = e
		}
		data, ok := strings.CutPrefix(in.Text(), "data: ")
		if !ok || kind != "event" {
			continue
		}
		var rec event.Record
		if json.Unmarshal([]byte(data), &rec) == nil && rec.Kind == event.Taken {
			v.mu.Lock()
			v.seqs[rec.Seq] = true
			v.mu.Unlock()
		}
	}
}

type lockedBuffer struct {
	mu sync.Mutex
	b  bytes.Buffer
}

func (l *lockedBuffer) Write(p []byte) (int, error) {
	l.mu.Lock()
	defer l.mu.Unlock()
	return l.b.Write(p)
}

func (l *lockedBuffer) String() string {
	l.mu.Lock()
	defer l.mu.Unlock()
	return l.b.String()
}

func (l *lockedBuffer) tail(n int) string {
	s := l.String()
	return s[max(0, len(s)-n):]
}
