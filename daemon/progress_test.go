package daemon_test

import (
	"bytes"
	"io"
	"os"
	"os/exec"
	"strings"
	"testing"

	"github.com/creack/pty"

	"fairbore/daemon/daemontest"
)

// TestProgressOnATerminal checks that long work shows its progress on a terminal, ends its line,
// and keeps it out of the answer. Without a terminal nothing is shown, since nobody would see it.
func TestProgressOnATerminal(t *testing.T) {
	r := daemontest.NewRig(t)
	r.Plug()
	r.Start()
	r.Master()
	r.Reading("31.74510", 1)
	r.Stop()
	config, journal := r.Write(), r.Path("journal/journal.db")
	recording := r.Path("line.rec")
	text := "# fairbore recording 1\n! 0.000000 \"opened\"\n< 1.000000 \"+31.74510 mm\\r\\n\"\n< 2.000000 \"+31.74520 mm\\r\\n\"\n"
	if err := os.WriteFile(recording, []byte(text), 0o600); err != nil {
		t.Fatal(err)
	}
	for _, args := range [][]string{
		{"verify", journal}, {"export", journal}, {"export", journal, "-o", r.Path("out.csv")}, {"replay", recording, "-c", config},
		{"report", journal, "--kind", "lot", "--job", "J-4112", "--format", "pdf"},
	} {
		seen, answer := onTerminal(t, args...)
		what := args[0]
		if !strings.Contains(seen, what+" 100 %") || !strings.HasSuffix(seen, "\r\n") || strings.Count(seen, "\n") != 1 {
			t.Errorf("%q: the terminal shows %q", args, seen)
		}
		if strings.Contains(answer, " 100 %") {
			t.Errorf("%q: the answer holds what is of the terminal", args)
		}
		cmd := exec.Command(daemontest.Binary(t), args...)
		var quiet bytes.Buffer
		cmd.Stderr = &quiet
		if err := cmd.Run(); err != nil || quiet.Len() > 0 {
			t.Errorf("%q without a terminal: %v, %q", args, err, quiet.String())
		}
	}
}

// onTerminal runs the program with its standard error on a terminal. It returns what the terminal
// shows, and the answer on standard output.
func onTerminal(t *testing.T, args ...string) (seen, answer string) {
	t.Helper()
	m, s, err := pty.Open()
	if err != nil {
		t.Fatal(err)
	}
	defer m.Close()
	cmd := exec.Command(daemontest.Binary(t), args...)
	var out bytes.Buffer
	cmd.Stdout, cmd.Stderr = &out, s
	if err := cmd.Start(); err != nil {
		t.Fatal(err)
	}
	s.Close()
	shown, _ := io.ReadAll(m) // reading a terminal ends with an error
	if err := cmd.Wait(); err != nil {
		t.Errorf("%q: %v: %s", args, err, shown)
	}
	return string(shown), out.String()
}
