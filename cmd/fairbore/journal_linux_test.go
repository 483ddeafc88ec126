package main

import (
	"bufio"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"syscall"
	"testing"

	"github.com/creack/pty"
	"github.com/rs/zerolog"
	"golang.org/x/term"

	"fairbore/daemon/web"
)

// TestPrioritiesInTheJournal checks that each line has its priority (sd-daemon(3), syslog(3)) if
// standard error is the journal's stream, also each line of the error with which the program ends;
// and that no line has one if standard error is something else.
func TestPrioritiesInTheJournal(t *testing.T) {
	file, err := os.Create(filepath.Join(t.TempDir(), "stream"))
	if err != nil {
		t.Fatal(err)
	}
	defer file.Close()
	info, err := file.Stat()
	if err != nil {
		t.Fatal(err)
	}
	stat := info.Sys().(*syscall.Stat_t)
	written := func() (text string) {
		b, err := os.ReadFile(file.Name())
		if err != nil {
			t.Fatal(err)
		}
		if err := file.Truncate(0); err != nil {
			t.Fatal(err)
		}
		if _, err := file.Seek(0, 0); err != nil {
			t.Fatal(err)
		}
		return string(b)
	}
	bad := filepath.Join(t.TempDir(), "bad.yaml")
	if err := os.WriteFile(bad, []byte("version: 2\nsite: a/b\n"), 0o600); err != nil {
		t.Fatal(err)
	}
	for _, c := range []struct {
		stream  string
		journal bool
	}{{fmt.Sprintf("%d:%d", stat.Dev, stat.Ino), true}, {fmt.Sprintf("%d:%d", stat.Dev, stat.Ino+1), false}, {"", false}} {
		t.Setenv("JOURNAL_STREAM", c.stream)
		l := newLogLines(file)
		log := zerolog.New(l).Level(zerolog.TraceLevel)
		log.Trace().Msg("")
		log.Debug().Msg("")
		log.Info().Msg("")
		log.Log().Msg("")
		log.Warn().Msg("")
		log.Error().Msg("")
		log.WithLevel(zerolog.FatalLevel).Msg("")
		l.close()
		want := "<7>{\"level\":\"trace\"}\n<7>{\"level\":\"debug\"}\n<6>{\"level\":\"info\"}\n<6>{}\n<4>{\"level\":\"warn\"}\n<3>{\"level\":\"error\"}\n<2>{\"level\":\"fatal\"}\n"
		if !c.journal {
			for _, p := range []string{"<7>", "<6>", "<4>", "<3>", "<2>"} {
				want = strings.ReplaceAll(want, p, "")
			}
		}
		if got := written(); got != want {
			t.Errorf("JOURNAL_STREAM=%s: the log is %q, want %q", c.stream, got, want)
		}
		if code := run([]string{"run", "-c", bad}, file, file); code != 3 {
			t.Errorf("exit %d", code)
		}
		lines := strings.Split(strings.TrimSuffix(written(), "\n"), "\n")
		for _, line := range lines {
			if strings.HasPrefix(line, "<3>") != c.journal {
				t.Errorf("JOURNAL_STREAM=%s: %q", c.stream, line)
			}
		}
		if len(lines) < 2 {
			t.Errorf("only %q", lines)
		}
	}
}

// TestLogOnATerminal checks that a person at a terminal reads lines and not JSON, with the address of
// the page as a browser takes it.
func TestLogOnATerminal(t *testing.T) {
	master, tty, err := pty.Open()
	if err != nil {
		t.Fatal(err)
	}
	defer master.Close()
	defer tty.Close()
	if _, err := term.MakeRaw(int(tty.Fd())); err != nil {
		t.Fatal(err)
	}
	t.Setenv("NO_COLOR", "1")
	l := newLogLines(tty)
	log := zerolog.New(l)
	log.Info().Str("page", web.URL("0.0.0.0:8080")).Msg("started")
	l.close()
	line, err := bufio.NewReader(master).ReadString('\n')
	if want := "INF started page=http://127.0.0.1:8080/\n"; err != nil || !strings.HasSuffix(line, want) || strings.Contains(line, "{") {
		t.Errorf("%q, %v; want %q", line, err, want)
	}
}
