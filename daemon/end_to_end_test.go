package daemon_test

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"math/rand/v2"
	"net/http"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"testing"
	"time"

	"fairbore/analysis"
	"fairbore/daemon/event"
	"fairbore/daemon/store"
)

func run(t testing.TB, name string, args ...string) string {
	t.Helper()
	out, err := exec.Command(name, args...).CombinedOutput()
	if err != nil {
		t.Fatalf("%s %s: %v\n%s", name, strings.Join(args, " "), err, out)
	}
	return string(out)
}

// Bytes written by another program into a pseudo-terminal made by that program
// arrive, tagged and in order, at a subscriber of a broker with TLS and passwords.
func TestOutsidePeers(t *testing.T) {
	needs(t, "socat", "mosquitto", "mosquitto_sub", "mosquitto_passwd", "openssl")
	r := newRig(t)
	ca, key := r.path("ca.crt"), r.path("ca.key")
	run(t, "openssl", "req", "-x509", "-newkey", "ec", "-pkeyopt", "ec_paramgen_curve:prime256v1", "-nodes", "-days", "2",
		"-subj", "/CN=localhost", "-addext", "subjectAltName=DNS:localhost,IP:127.0.0.1", "-keyout", key, "-out", ca)
	passwords := r.path("passwords")
	run(t, "mosquitto_passwd", "-c", "-b", passwords, "bay", "hone")
	broker := newMosquitto(t, r.dir, "certfile "+ca, "keyfile "+key, "allow_anonymous false", "password_file "+passwords)
	if err := os.WriteFile(r.path("secret"), []byte("hone\n"), 0o600); err != nil {
		t.Fatal(err)
	}
	r.broker = fmt.Sprintf(`url: "ssl://%s", user: bay, password_file: %s, ca_file: %s`, broker.addr, r.path("secret"), ca)
	s := subscribe(t, broker.addr, "--cafile", ca, "-u", "bay", "-P", "hone")

	far := r.path("far")
	socat := exec.Command("socat", "pty,raw,echo=0,link="+r.device, "pty,raw,echo=0,link="+far)
	if err := socat.Start(); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { socat.Process.Kill(); socat.Wait() })
	r.eventually(20*time.Second, "socat's lines", func() bool { _, err := os.Stat(far); return err == nil })
	f, err := os.OpenFile(far, os.O_RDWR, 0)
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	r.gauge = &gauge{t: t, master: f}
	r.start()
	r.master()

	const n = 120
	text := ""
	for i := range n {
		text += frame(i)
	}
	sender := exec.Command("socat", "-u", "-", "OPEN:"+far+",wronly")
	sender.Stdin = strings.NewReader(text)
	if out, err := sender.CombinedOutput(); err != nil {
		t.Fatalf("socat: %v\n%s", err, out)
	}
	r.eventually(20*time.Second, "the readings at the subscriber", func() bool { return len(s.records(t, "reading")) >= n })
	got := s.records(t, "reading")
	if len(got) != n {
		t.Errorf("%d readings, want %d", len(got), n)
	}
	for i, rec := range got {
		x := rec.Reading
		want := strings.TrimPrefix(strings.TrimSuffix(frame(i), " mm\r\n"), "+")
		if x == nil || x.Raw.Format(analysis.MM, 5) != want {
			t.Fatalf("reading %d is %+v, want raw %s", i, x, want)
		}
		places := []string{"5 mm / 0°", "5 mm / 90°", "32 mm / 0°", "32 mm / 90°", "58 mm / 0°", "58 mm / 90°"}
		if x.Place.String() != places[i%6] || x.Round != i/6 || x.Job != "J-4112" || x.Part != "0001" || x.Mastered != 1 || rec.Station != "bay2" {
			t.Errorf("reading %d is tagged %s round %d job %s part %s", i, x.Place, x.Round, x.Job, x.Part)
		}
		if x.Raw-x.Size != 3000 {
			t.Errorf("reading %d: size %s of raw %s, want 0.3 µm less", i, x.Size, x.Raw)
		}
	}
	r.eventually(20*time.Second, "a bore message that tells a state", func() bool { return s.has(`"state":"over"`) || s.has(`"state":"stock to go"`) })
	r.stop()
}

// journalReadings reads all readings of a journal by sequence number, after its
// chain has been verified.
func (r *rig) journalReadings() map[uint64]int {
	r.t.Helper()
	path := r.path("journal/journal.db")
	report, err := store.Verify(context.Background(), path, nil)
	if err != nil {
		r.t.Fatal(err)
	}
	if !report.Sound() {
		r.t.Fatalf("journal: %+v", report)
	}
	j, err := store.View(context.Background(), path)
	if err != nil {
		r.t.Fatal(err)
	}
	defer j.Close()
	out := map[uint64]int{}
	for rec, err := range j.Query(context.Background(), store.Filter{Kinds: []event.Kind{event.Taken}}) {
		if err != nil {
			r.t.Fatal(err)
		}
		out[rec.Seq] = int(rec.Reading.Raw)
	}
	return out
}

// number reads a count from the environment, for a longer or shorter run.
func number(t testing.TB, env string, usual int) int {
	s := os.Getenv(env)
	if s == "" {
		return usual
	}
	n, err := strconv.Atoi(s)
	if err != nil {
		t.Fatalf("%s: %v", env, err)
	}
	return n
}

// The program is killed at random moments under 200 readings a second. Whatever a
// subscriber or the page saw as recorded is in the journal; its chain holds; and
// after the restart every reading of the journal reaches the subscriber.
// FAIRBORE_KILLS sets how often, FAIRBORE_SEED when.
func TestKilledUnderLoad(t *testing.T) {
	needs(t, "mosquitto", "mosquitto_sub")
	kills := number(t, "FAIRBORE_KILLS", 5)
	seed := number(t, "FAIRBORE_SEED", int(time.Now().UnixNano()%1e9))
	t.Logf("FAIRBORE_SEED=%d, %d kills", seed, kills)
	rng := rand.New(rand.NewPCG(uint64(seed), 0))

	r := newRig(t)
	broker := newMosquitto(t, r.dir, "allow_anonymous true")
	r.broker = fmt.Sprintf(`url: "tcp://%s"`, broker.addr)
	s := subscribe(t, broker.addr)
	r.plug()
	ctx, cancel := context.WithCancel(context.Background())
	defer cancel()
	seen := r.view(ctx)
	r.start()
	r.master()

	load, stopLoad := context.WithCancel(ctx)
	ended := make(chan struct{})
	go func() {
		defer close(ended)
		tick := time.NewTicker(5 * time.Millisecond)
		defer tick.Stop()
		for i := 0; load.Err() == nil; i++ {
			<-tick.C
			r.gauge.send(frame(i))
		}
	}()
	for range kills {
		time.Sleep(time.Duration(100+rng.IntN(500)) * time.Millisecond)
		r.kill()
		r.start()
	}
	time.Sleep(300 * time.Millisecond)
	stopLoad()
	<-ended
	r.eventually(20*time.Second, "the queue to empty", func() bool { b := r.bore(); return b != nil && b.Last != nil })
	time.Sleep(300 * time.Millisecond)
	journal := r.journalReadings()
	r.eventually(30*time.Second, "every reading of the journal at the subscriber", func() bool {
		told := map[uint64]bool{}
		for _, rec := range s.records(t, "reading") {
			told[rec.Seq] = true
		}
		for seq := range journal {
			if !told[seq] {
				return false
			}
		}
		return true
	})
	r.stop()
	journal = r.journalReadings()
	got := s.records(t, "reading")
	seen.mu.Lock()
	defer seen.mu.Unlock()
	t.Logf("%d readings in the journal, %d messages at the subscriber, %d shown by the page", len(journal), len(got), len(seen.seqs))
	if len(journal) < 20*kills {
		t.Errorf("only %d readings: the load did not run", len(journal))
	}
	for _, rec := range got {
		raw, ok := journal[rec.Seq]
		if !ok || raw != int(rec.Reading.Raw) {
			t.Fatalf("the subscriber saw reading %d (%s), which the journal does not have", rec.Seq, rec.Reading.Raw)
		}
	}
	if len(seen.seqs) == 0 {
		t.Error("the page showed no reading")
	}
	for seq := range seen.seqs {
		if _, ok := journal[seq]; !ok {
			t.Fatalf("the page showed reading %d as recorded, which the journal does not have", seq)
		}
	}
	inOrder(t, got)
}

// inOrder checks that records are in order once repeats are left out.
func inOrder(t testing.TB, got []event.Record) {
	t.Helper()
	seen, last := map[uint64]bool{}, uint64(0)
	for _, rec := range got {
		if seen[rec.Seq] {
			continue
		}
		seen[rec.Seq] = true
		if rec.Seq < last {
			t.Fatalf("reading %d came after %d", rec.Seq, last)
		}
		last = rec.Seq
	}
}

// The broker is stopped and started five times under load: a subscriber with a
// lasting session gets every reading, in order. A broker that is killed loses what
// it acknowledged and had not yet saved, which no sender can see.
func TestBrokerComesAndGoes(t *testing.T) {
	needs(t, "mosquitto", "mosquitto_sub")
	r := newRig(t)
	broker := newMosquitto(t, r.dir, "allow_anonymous true", "persistence true", "persistence_location "+r.dir+"/")
	r.broker = fmt.Sprintf(`url: "tcp://%s"`, broker.addr)
	r.plug()
	r.start()
	r.master()
	s := subscribe(t, broker.addr, "-c", "-i", "lasting")
	r.eventually(20*time.Second, "the subscriber", func() bool { return s.has("/bay2/bore ") })
	i := 0
	load := func(n int) {
		for range n {
			r.gauge.send(frame(i))
			i++
			time.Sleep(2 * time.Millisecond)
		}
	}
	for range 5 {
		load(60)
		broker.stop()
		load(40)
		broker.start()
	}
	load(20)
	r.eventually(10*time.Second, "all readings in the journal", func() bool { b := r.bore(); return b.Last != nil && b.Last.No >= i })
	journal := r.journalReadings()
	if len(journal) != i {
		t.Errorf("%d readings in the journal, %d were sent", len(journal), i)
	}
	r.eventually(60*time.Second, "every reading at the subscriber", func() bool {
		told := map[uint64]bool{}
		for _, rec := range s.records(t, "reading") {
			told[rec.Seq] = true
		}
		return len(told) == len(journal)
	})
	inOrder(t, s.records(t, "reading"))
	r.stop()
}

// cpu returns the processor time a process has used.
func cpu(t testing.TB, pid int) time.Duration {
	t.Helper()
	b, err := os.ReadFile(fmt.Sprintf("/proc/%d/stat", pid))
	if err != nil {
		t.Skip("no /proc here")
	}
	f := strings.Fields(string(b[strings.LastIndexByte(string(b), ')')+1:]))
	user, _ := strconv.Atoi(f[11])
	system, _ := strconv.Atoi(f[12])
	return time.Duration(user+system) * 10 * time.Millisecond // in ticks of 1/100 s (proc(5))
}

// The gauge is unplugged and plugged in twenty times: the page says that it is lost
// within a second, the program rests meanwhile, and reads on afterwards.
func TestUnplugged(t *testing.T) {
	r := newRig(t)
	r.plug()
	r.start()
	r.master()
	for i := range 20 {
		r.unplug()
		at := time.Now()
		r.eventually(3*time.Second, "the page to say that the gauge is lost", func() bool { b := r.bore(); return b.Gauge.Lost && b.State == event.CannotJudge })
		if d := time.Since(at); d > time.Second {
			t.Errorf("loss %d was told after %s, want 1 s at most", i, d)
		}
		if i%5 == 0 {
			before := cpu(t, r.proc.Process.Pid)
			time.Sleep(time.Second)
			if used := cpu(t, r.proc.Process.Pid) - before; used > 250*time.Millisecond {
				t.Errorf("while the gauge was away the program used %s of processor time in a second", used)
			}
		}
		r.plug()
		r.eventually(8*time.Second, "the gauge to be found again", func() bool { return !r.bore().Gauge.Lost })
		time.Sleep(350 * time.Millisecond) // silent, so that the first frame is not doubted
		r.gauge.send(frame(i))
		r.eventually(3*time.Second, "a reading", func() bool { b := r.bore(); return b.Last != nil && b.Last.No == i+1 })
	}
	r.stop()
}

// The journal's disk fills up: page and broker say that nothing is recorded, no
// reading is told, and when there is room again all that came is recorded and told.
func TestDiskFull(t *testing.T) {
	needs(t, "mosquitto", "mosquitto_sub", "mount", "umount")
	r := newRig(t)
	disk := r.path("journal")
	if err := os.Mkdir(disk, 0o700); err != nil {
		t.Fatal(err)
	}
	if out, err := exec.Command("mount", "-t", "tmpfs", "-o", "size=16m", "tmpfs", disk).CombinedOutput(); err != nil {
		missing(t, "can't mount a small disk: "+string(out))
	}
	t.Cleanup(func() { run(t, "umount", "-l", disk) })
	broker := newMosquitto(t, r.dir, "allow_anonymous true")
	r.broker = fmt.Sprintf(`url: "tcp://%s"`, broker.addr)
	s := subscribe(t, broker.addr)
	r.plug()
	r.start()
	r.master()
	r.gauge.send(frame(0))
	r.eventually(20*time.Second, "a reading at the subscriber", func() bool { return len(s.records(t, "reading")) == 1 })

	i := 1
	fill := filepath.Join(disk, "fill")
	full := func() bool {
		f, err := os.OpenFile(fill, os.O_CREATE|os.O_APPEND|os.O_WRONLY, 0o600)
		if err != nil {
			t.Fatal(err)
		}
		defer f.Close()
		for err == nil {
			_, err = f.Write(make([]byte, 4096))
		}
		r.gauge.send(frame(i))
		i++
		time.Sleep(20 * time.Millisecond)
		b := r.bore()
		return !b.Recording && b.State == event.CannotJudge && strings.Contains(b.Why.Text, "NOT RECORDING")
	}
	r.eventually(60*time.Second, "the page to say NOT RECORDING", full)
	r.eventually(20*time.Second, "the broker to say it", func() bool { return s.has(`"recording":false`) })
	if code, body := r.get("/healthz"); code != http.StatusServiceUnavailable || !strings.Contains(body, "not recording") {
		t.Errorf("/healthz with a full disk: %d %s", code, body)
	}
	told := len(s.records(t, "reading"))
	for range 20 {
		r.gauge.send(frame(i))
		i++
	}
	time.Sleep(time.Second)
	if now := len(s.records(t, "reading")); now != told {
		t.Errorf("%d readings were told while nothing was recorded", now-told)
	}
	if err := os.Remove(fill); err != nil {
		t.Fatal(err)
	}
	r.eventually(15*time.Second, "recording to go on", func() bool { return r.bore().Recording })
	r.eventually(15*time.Second, "all readings", func() bool { return len(s.records(t, "reading")) == i })
	r.stop()
	if n := len(r.journalReadings()); n != i {
		t.Errorf("%d readings in the journal, %d were sent", n, i)
	}
	if !strings.Contains(r.log.String(), "tmpfs") {
		t.Error("a journal on a disk that forgets at power-off was not warned of")
	}
}

// exit runs the program until it ends by itself and returns its exit code and messages.
func (r *rig) exit(args ...string) (int, string) {
	r.t.Helper()
	ctx, cancel := context.WithTimeout(context.Background(), 3*time.Minute) // of a busy machine
	defer cancel()
	out, err := exec.CommandContext(ctx, binary(r.t), args...).CombinedOutput()
	var ended *exec.ExitError
	if err != nil && !errors.As(err, &ended) || ctx.Err() != nil {
		r.t.Fatalf("fairbore %s: %v\n%s", strings.Join(args, " "), err, out)
	}
	if ended != nil {
		return ended.ExitCode(), string(out)
	}
	return 0, string(out)
}

func TestSecondDaemonIsRefused(t *testing.T) {
	r := newRig(t)
	r.plug()
	r.start()
	r.eventually(20*time.Second, "the gauge to be found", func() bool { b := r.bore(); return b.Gauge != nil && !b.Gauge.Lost })
	if code, out := r.exit("run", "-c", r.path("fairbore.yaml")); code != 5 || !strings.Contains(out, "journal") {
		t.Errorf("a second program on the same journal: exit %d: %s", code, out)
	}
	other := newRig(t)
	other.device = r.device
	if code, out := other.exit("run", "-c", other.write()); code != 5 || !strings.Contains(out, r.device) {
		t.Errorf("a second program on the same gauge: exit %d: %s", code, out)
	}
	r.gauge.send(frame(1))
	r.stop()
}

func TestCheckReportsAllFaults(t *testing.T) {
	r := newRig(t)
	good := r.write()
	if code, out := r.exit("check", good); code != 0 {
		t.Fatalf("a good configuration: exit %d: %s", code, out)
	}
	b, err := os.ReadFile(good)
	if err != nil {
		t.Fatal(err)
	}
	bad := strings.NewReplacer("unit: in", "unit: furlong", "high: 1.25010 in", "high: 1.2501", "driver: line", "driver: lime",
		"max_age: 8h", "max_age: 8", "gauge: G-11, port", "gouge: G-11, port").Replace(string(b))
	if err := os.WriteFile(good, []byte(bad), 0o600); err != nil {
		t.Fatal(err)
	}
	code, out := r.exit("check", good)
	if code != 3 {
		t.Errorf("exit %d, want 3", code)
	}
	for _, want := range []string{"jobs.J-4112.unit", "jobs.J-4112.high", "gauges.G-11.driver", "mastering.max_age", "stations[0].gouge"} {
		if !strings.Contains(out, want) {
			t.Errorf("%s is not reported:\n%s", want, out)
		}
	}
}

// What a port carried is recorded; replaying it gives the same events byte for
// byte, and the same readings as the journal has.
func TestReplay(t *testing.T) {
	r := newRig(t)
	r.more = "record: true"
	r.plug()
	r.start()
	r.master()
	for i := range 30 {
		r.gauge.send(frame(i))
		time.Sleep(2 * time.Millisecond)
	}
	r.eventually(20*time.Second, "the readings", func() bool { b := r.bore(); return b.Last != nil && b.Last.No == 30 })
	r.stop()
	files, err := filepath.Glob(r.path("recordings/*.rec"))
	if err != nil || len(files) != 1 {
		t.Fatalf("recordings: %v %v", files, err)
	}
	args := []string{"replay", "--master", "-c", r.path("fairbore.yaml"), files[0]}
	code, first := r.exit(args...)
	if code != 0 {
		t.Fatalf("replay: exit %d: %s", code, first)
	}
	if _, second := r.exit(args...); second != first {
		t.Error("a second replay gives other bytes")
	}
	var replayed []int
	for _, line := range strings.Split(strings.TrimSpace(first), "\n") {
		var rec event.Record
		if err := json.Unmarshal([]byte(line), &rec); err != nil {
			t.Fatalf("%s: %v", line, err)
		}
		if rec.Kind == event.Taken {
			replayed = append(replayed, int(rec.Reading.Size))
		}
	}
	code, csv := r.exit("export", r.path("journal/journal.db"))
	if code != 0 {
		t.Fatalf("export: exit %d", code)
	}
	lines := strings.Split(strings.TrimSpace(csv), "\r\n")
	column := slices.Index(strings.Split(lines[0], ","), "size_mm")
	if len(replayed) != 30 || len(lines) != 31 || column < 0 {
		t.Fatalf("%d readings replayed, %d lines exported, size in column %d", len(replayed), len(lines), column)
	}
	for i, l := range lines[1:] {
		if got, want := strings.Split(l, ",")[column], fmt.Sprintf("%.7f", float64(replayed[i])/1e7); strings.TrimRight(want, "0") != strings.TrimRight(got, "0") {
			t.Errorf("reading %d: journal has %s, replay %s", i, got, want)
		}
	}
}

func TestDemoEndsWithAnAcceptedPart(t *testing.T) {
	r := newRig(t)
	code, out := r.exit("demo", "--once", "--speed", "500", "--seed", "7", "--listen", freePort(t), "--mqtt", freePort(t))
	if code != 0 || !strings.Contains(out, "ACCEPTED") || !strings.Contains(out, "J-4112") {
		t.Errorf("exit %d:\n%s", code, out)
	}
}
