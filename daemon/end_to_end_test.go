package daemon_test

import (
	"encoding/json"
	"fmt"
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
	"fairbore/daemon/daemontest"
	"fairbore/daemon/event"
)

func run(t testing.TB, name string, args ...string) string {
	t.Helper()
	out, err := exec.Command(name, args...).CombinedOutput()
	if err != nil {
		t.Fatalf("%s %s: %v\n%s", name, strings.Join(args, " "), err, out)
	}
	return string(out)
}

// TestOutsidePeers checks the way through programs of others. One of them makes a pseudo-terminal
// and writes bytes to it. The readings arrive, tagged and in order, at a subscriber of a broker
// with TLS and passwords.
func TestOutsidePeers(t *testing.T) {
	daemontest.Needs(t, "socat", "mosquitto", "mosquitto_sub", "mosquitto_passwd", "openssl")
	r := daemontest.NewRig(t)
	ca, key := r.Path("ca.crt"), r.Path("ca.key")
	run(t, "openssl", "req", "-x509", "-newkey", "ec", "-pkeyopt", "ec_paramgen_curve:prime256v1", "-nodes", "-days", "2",
		"-subj", "/CN=localhost", "-addext", "subjectAltName=DNS:localhost,IP:127.0.0.1", "-keyout", key, "-out", ca)
	passwords := r.Path("passwords")
	run(t, "mosquitto_passwd", "-c", "-b", passwords, "bay", "hone")
	broker := daemontest.NewMosquitto(t, r.Dir, "certfile "+ca, "keyfile "+key, "allow_anonymous false", "password_file "+passwords)
	if err := os.WriteFile(r.Path("secret"), []byte("hone\n"), 0o600); err != nil {
		t.Fatal(err)
	}
	r.Broker = fmt.Sprintf(`url: "ssl://%s", user: bay, password_file: %s, ca_file: %s`, broker.Addr, r.Path("secret"), ca)
	s := daemontest.Subscribe(t, broker.Addr, "--cafile", ca, "-u", "bay", "-P", "hone")

	far := r.Path("far")
	socat := exec.Command("socat", "pty,raw,echo=0,link="+r.Device, "pty,raw,echo=0,link="+far)
	if err := socat.Start(); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { socat.Process.Kill(); socat.Wait() })
	r.Eventually(20*time.Second, "socat's lines", func() bool { _, err := os.Stat(far); return err == nil })
	f, err := os.OpenFile(far, os.O_RDWR, 0)
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	r.Gauge = &daemontest.Gauge{T: t, Master: f}
	r.Start()
	r.Master()

	const n = 120
	text := ""
	for i := range n {
		text += daemontest.Frame(i)
	}
	sender := exec.Command("socat", "-u", "-", "OPEN:"+far+",wronly")
	sender.Stdin = strings.NewReader(text)
	if out, err := sender.CombinedOutput(); err != nil {
		t.Fatalf("socat: %v\n%s", err, out)
	}
	r.Eventually(20*time.Second, "the readings at the subscriber", func() bool { return len(s.Records(t, "reading")) >= n })
	got := s.Records(t, "reading")
	if len(got) != n {
		t.Errorf("%d readings, want %d", len(got), n)
	}
	for i, rec := range got {
		x := rec.Reading
		want := strings.TrimPrefix(strings.TrimSuffix(daemontest.Frame(i), " mm\r\n"), "+")
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
	r.Eventually(20*time.Second, "a bore message that tells a state", func() bool { return s.Has(`"state":"over"`) || s.Has(`"state":"stock to go"`) })
	r.Stop()
}

// number reads a count from an environment variable, which makes a run longer or shorter. It
// returns the usual count if the variable is not set.
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

// cpu returns the processor time that a process has used.
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

// TestDiskFull fills the disk of the journal. The page and the broker say that nothing is recorded,
// and no reading is sent to the broker. Once there is room again, all readings that came are
// recorded and sent.
func TestDiskFull(t *testing.T) {
	daemontest.Needs(t, "mosquitto", "mosquitto_sub", "mount", "umount")
	r := daemontest.NewRig(t)
	disk := r.Path("journal")
	if err := os.Mkdir(disk, 0o700); err != nil {
		t.Fatal(err)
	}
	if out, err := exec.Command("mount", "-t", "tmpfs", "-o", "size=16m", "tmpfs", disk).CombinedOutput(); err != nil {
		daemontest.Missing(t, "can't mount a small disk: "+string(out))
	}
	t.Cleanup(func() { run(t, "umount", "-l", disk) })
	broker := daemontest.NewMosquitto(t, r.Dir, "allow_anonymous true")
	r.Broker = fmt.Sprintf(`url: "tcp://%s"`, broker.Addr)
	s := daemontest.Subscribe(t, broker.Addr)
	r.Plug()
	r.Start()
	r.Master()
	r.Gauge.Send(daemontest.Frame(0))
	r.Eventually(20*time.Second, "a reading at the subscriber", func() bool { return len(s.Records(t, "reading")) == 1 })

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
		r.Gauge.Send(daemontest.Frame(i))
		i++
		time.Sleep(20 * time.Millisecond)
		b := r.Bore()
		return !b.Recording && b.State == event.CannotJudge && b.Why.Code == "bore.not_recording"
	}
	r.Eventually(60*time.Second, "the page to say NOT RECORDING", full)
	r.Eventually(20*time.Second, "the broker to say it", func() bool { return s.Has(`"recording":false`) })
	if code, body := r.Get("/healthz"); code != http.StatusServiceUnavailable || !strings.Contains(body, "not recording") {
		t.Errorf("/healthz with a full disk: %d %s", code, body)
	}
	told := len(s.Records(t, "reading"))
	for range 20 {
		r.Gauge.Send(daemontest.Frame(i))
		i++
	}
	time.Sleep(time.Second)
	if now := len(s.Records(t, "reading")); now != told {
		t.Errorf("%d readings were told while nothing was recorded", now-told)
	}
	if err := os.Remove(fill); err != nil {
		t.Fatal(err)
	}
	r.Eventually(15*time.Second, "recording to go on", func() bool { return r.Bore().Recording })
	r.Eventually(15*time.Second, "all readings", func() bool { return len(s.Records(t, "reading")) == i })
	r.Stop()
	if n := len(r.JournalReadings()); n != i {
		t.Errorf("%d readings in the journal, %d were sent", n, i)
	}
	if !strings.Contains(r.Log.String(), "tmpfs") {
		t.Error("a journal on a disk that forgets at power-off was not warned of")
	}
}

func TestSecondDaemonIsRefused(t *testing.T) {
	r := daemontest.NewRig(t)
	r.Plug()
	r.Start()
	r.Eventually(20*time.Second, "the gauge to be found", func() bool { b := r.Bore(); return b.Gauge != nil && !b.Gauge.Lost })
	if code, out := r.Exit("run", "-c", r.Path("fairbore.yaml")); code != 5 || !strings.Contains(out, "journal") {
		t.Errorf("a second program on the same journal: exit %d: %s", code, out)
	}
	other := daemontest.NewRig(t)
	other.Device = r.Device
	if code, out := other.Exit("run", "-c", other.Write()); code != 5 || !strings.Contains(out, r.Device) {
		t.Errorf("a second program on the same gauge: exit %d: %s", code, out)
	}
	r.Gauge.Send(daemontest.Frame(1))
	r.Stop()
}

func TestCheckReportsAllFaults(t *testing.T) {
	r := daemontest.NewRig(t)
	good := r.Write()
	if code, out := r.Exit("check", good); code != 0 {
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
	code, out := r.Exit("check", good)
	if code != 3 {
		t.Errorf("exit %d, want 3", code)
	}
	for _, want := range []string{"jobs.J-4112.unit", "jobs.J-4112.high", "gauges.G-11.driver", "mastering.max_age", "stations[0].gouge"} {
		if !strings.Contains(out, want) {
			t.Errorf("%s is not reported:\n%s", want, out)
		}
	}
}

// TestReplay replays the recording of a port. Each replay gives the same events byte for byte, and
// the readings are the readings of the journal.
func TestReplay(t *testing.T) {
	r := daemontest.NewRig(t)
	r.More = "record: true"
	r.Plug()
	r.Start()
	r.Master()
	for i := range 30 {
		r.Gauge.Send(daemontest.Frame(i))
		time.Sleep(2 * time.Millisecond)
	}
	r.Eventually(20*time.Second, "the readings", func() bool { b := r.Bore(); return b.Last != nil && b.Last.No == 30 })
	r.Stop()
	files, err := filepath.Glob(r.Path("recordings/*.rec"))
	if err != nil || len(files) != 1 {
		t.Fatalf("recordings: %v %v", files, err)
	}
	args := []string{"replay", "--master", "-c", r.Path("fairbore.yaml"), files[0]}
	code, first := r.Exit(args...)
	if code != 0 {
		t.Fatalf("replay: exit %d: %s", code, first)
	}
	if _, second := r.Exit(args...); second != first {
		t.Error("a second replay gives other bytes")
	}
	var replayed []int
	for _, line := range strings.Split(strings.TrimSpace(first), "\n") {
		var rec event.Record
		if err := json.Unmarshal([]byte(line), &rec); err != nil {
			t.Fatalf("%s: %v", line, err)
		}
		if !rec.Simulated {
			t.Errorf("a replayed event does not say that it was not measured: %s", line)
		}
		if rec.Kind == event.Taken {
			replayed = append(replayed, int(rec.Reading.Size))
		}
	}
	code, csv := r.Exit("export", r.Path("journal/journal.db"))
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
	r := daemontest.NewRig(t)
	code, out := r.Exit("demo", "--once", "--speed", "500", "--seed", "7", "--listen", daemontest.FreePort(t), "--mqtt", daemontest.FreePort(t))
	if code != 0 || !strings.Contains(out, "ACCEPTED") || !strings.Contains(out, "J-4112") {
		t.Errorf("exit %d:\n%s", code, out)
	}
}
