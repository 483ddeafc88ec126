package daemon_test

import (
	"context"
	"os/exec"
	"strings"
	"testing"
	"time"
	"unicode"

	"fairbore/daemon/daemontest"
	"fairbore/daemon/event"
	"fairbore/daemon/store"
)

// commanded starts the program with a broker that takes commands. The function send sends one to the
// station, and replies returns the answers so far.
func commanded(t *testing.T) (r *daemontest.Rig, send func(payload string), replies func() []event.Reply) {
	t.Helper()
	daemontest.Needs(t, "mosquitto", "mosquitto_sub", "mosquitto_pub")
	r = daemontest.NewRig(t)
	broker := daemontest.NewMosquitto(t, r.Dir, "allow_anonymous true")
	r.Broker = `url: "tcp://` + broker.Addr + `", commands: true`
	s := daemontest.Subscribe(t, broker.Addr)
	r.Plug()
	r.Start()
	r.Eventually(20*time.Second, "the station at the broker", func() bool { return s.Has("/bay2/bore ") })
	return r, func(payload string) { broker.Publish("fairbore/1/test/bay2/do", payload) }, func() []event.Reply { return s.Replies(t) }
}

// TestHostileCommands sends commands that are malformed, repeated, far too long, or meant to act on
// whatever shows them. The answer to each says why it is not done. The journal stays sound, and the
// station goes on.
func TestHostileCommands(t *testing.T) {
	r, send, replies := commanded(t)
	hostile := []string{
		`null`, `[]`, `{`, `"do"`, `{"do":"note","reason":"no id"}`, `{"id":"h1","do":"note","reason":"two"}{"id":"h2","do":"note","reason":"in one"}`,
		`{"id":"h3","do":"note","reason":"\u001b]0;owned\u0007"}`, `{"id":"h4","do":"part","part":"\u202e21","confirm":true}`,
		`{"id":"h5","do":"round","strokes":9223372036854775807,"confirm":true}`, `{"id":"h6","do":"round","seconds":1e400}`,
		`{"id":"h7","do":"position","position":{"depth_mm":1e300,"angle_deg":1}}`, `{"id":"h8","do":"job","spec":{"id":"../../x"}}`,
		`{"id":"h9","do":"master","ring":"R/+/#"}`, `{"id":"h10","do":"erase"}`, `{"id":"h11","do":"note","reason":"x","more":1}`,
		`{"id":"` + strings.Repeat("i", 200) + `","do":"note","reason":"x"}`, strings.Repeat("[", 10_000), strings.Repeat("\x00\xff", 5000),
	}
	for _, p := range hostile {
		send(p)
	}
	send(strings.Repeat("[", 100_000)) // longer than any command, so it gets no answer
	send(`{"id":"good","do":"note","reason":"all is well"}`)
	send(`{"id":"good","do":"note","reason":"all is well"}`)
	r.Eventually(30*time.Second, "an answer to each", func() bool { return len(replies()) >= len(hostile)+2 })
	for i, x := range replies() {
		if good := x.ID == "good"; x.Done != good || (x.Why.IsZero()) != good || strings.ContainsFunc(x.Why.Text, func(c rune) bool { return unicode.IsControl(c) && c != '\n' }) {
			t.Errorf("answer %d: %+v", i, x)
		}
	}
	r.Stop()
	if n := notes(t, r.Path("journal/journal.db")); n != 1 {
		t.Errorf("%d notes in the journal, want 1", n)
	}
}

// notes counts the notes of a journal, and checks that the journal is sound.
func notes(t *testing.T, path string) (n int) {
	t.Helper()
	report, err := store.Verify(context.Background(), path, nil)
	if err != nil || !report.Sound() {
		t.Fatalf("journal: %+v, %v", report, err)
	}
	j, err := store.View(context.Background(), path)
	if err != nil {
		t.Fatal(err)
	}
	defer j.Close()
	for _, err := range j.Query(context.Background(), store.Filter{Kinds: []event.Kind{event.NoteAdded}}) {
		if err != nil {
			t.Fatal(err)
		}
		n++
	}
	return n
}

// TestGaugeCannotActOnATerminal checks that the bytes of a gauge can't act on the terminal of a
// person who listens to the gauge or reads the log. Every control character is written out as text.
func TestGaugeCannotActOnATerminal(t *testing.T) {
	const acts = "\x1b]0;owned\x07\x1b[2J\x9b31m\x00\x7f"
	r := daemontest.NewRig(t)
	r.Plug()
	path := r.Write()
	r.Proc = exec.Command(daemontest.Binary(t), "run", "-c", path, "--level", "debug")
	r.Proc.Stderr, r.Proc.Stdout = &r.Log, &r.Log
	if err := r.Proc.Start(); err != nil {
		t.Fatal(err)
	}
	proc := r.Proc
	t.Cleanup(func() { proc.Process.Kill() })
	r.Eventually(20*time.Second, "the gauge to be found", func() bool { b := r.Bore(); return b != nil && b.Gauge != nil && !b.Gauge.Lost })
	r.Gauge.Send("\r\n" + acts + "\r\n+31.74600 mm" + acts + "\r\n")
	r.Eventually(20*time.Second, "what can't be taken in the log", func() bool { return strings.Contains(r.Log.String(), "rejected") })
	r.Stop()
	r.Proc = nil

	ctx, cancel := context.WithTimeout(t.Context(), time.Minute)
	defer cancel()
	listen := exec.CommandContext(ctx, daemontest.Binary(t), "listen", r.Device, "--baud", "9600", "--for", "2s")
	var heard daemontest.LockedBuffer
	listen.Stdout, listen.Stderr = &heard, &heard
	if err := listen.Start(); err != nil {
		t.Fatal(err)
	}
	ended := make(chan error, 1)
	go func() { ended <- listen.Wait() }()
	for i := 0; ; i++ { // until listen has heard enough
		select {
		case <-ended:
		case <-time.After(50 * time.Millisecond):
			r.Gauge.Send("\x02" + acts + daemontest.Frame(i))
			continue
		}
		break
	}
	for what, text := range map[string]string{"the log": r.Log.String(), "listen": heard.String()} {
		if i := strings.IndexFunc(text, func(c rune) bool { return unicode.IsControl(c) && c != '\n' }); i >= 0 {
			t.Errorf("%s has %q in %q", what, text[i], text[max(0, i-40):i+1])
		}
	}
	if !strings.Contains(heard.String(), "ESC") {
		t.Errorf("listen does not show what came:\n%s", heard.String())
	}
}
