package packaging

import (
	"fmt"
	"net/http"
	"net/http/httptest"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"sync/atomic"
	"syscall"
	"testing"
	"time"

	"fairbore/daemon/daemontest"
)

// seat is a compositor without a screen, that runs the session of the kiosk as a user of its own.
type seat struct {
	t    *testing.T
	dir  string
	url  string
	conf string
	cmd  *exec.Cmd
}

// user is who the session runs as where root tests it: nobody, as the compositor refuses root.
func (s *seat) user() *syscall.SysProcAttr {
	if os.Getuid() != 0 {
		return &syscall.SysProcAttr{Setpgid: true}
	}
	return &syscall.SysProcAttr{Setpgid: true, Credential: &syscall.Credential{Uid: 65534, Gid: 65534}}
}

func (s *seat) env() []string {
	return []string{"PATH=" + s.dir + ":" + os.Getenv("PATH"), "HOME=" + s.dir, "XDG_RUNTIME_DIR=" + s.dir, "URL=" + s.url, "BLANK=1",
		"WLR_BACKENDS=headless", "WLR_LIBINPUT_NO_DEVICES=1", "WLR_RENDERER=pixman"}
}

func (s *seat) start() {
	s.t.Helper()
	s.cmd = exec.Command("sway", "--config", s.conf)
	s.cmd.Env, s.cmd.SysProcAttr = s.env(), s.user()
	if err := s.cmd.Start(); err != nil {
		s.t.Fatal(err)
	}
}

// browser returns the process of the session's browser, 0 if there is none.
func (s *seat) browser() (pid int) {
	found, err := filepath.Glob("/proc/[0-9]*/cmdline")
	if err != nil {
		s.t.Fatal(err)
	}
	for _, name := range found {
		line, err := os.ReadFile(name) // one that has ended is not there
		if args := strings.Split(string(line), "\x00"); err == nil && strings.Contains(string(line), "--user-data-dir="+s.dir) && !strings.Contains(string(line), "--type=") && strings.HasSuffix(args[0], "/chromium") {
			if _, err := fmt.Sscanf(name, "/proc/%d/", &pid); err != nil {
				s.t.Fatal(err)
			}
		}
	}
	return pid
}

// ready reports whether the compositor answers.
func (s *seat) ready() bool {
	sockets, err := filepath.Glob(filepath.Join(s.dir, "sway-ipc.*.sock"))
	return err == nil && len(sockets) > 0
}

// lit reports whether the screen was not switched off. The compositor's screen in memory has no switch
// (wlroots 0.15), so what was asked of the compositor counts.
func (s *seat) lit() bool {
	asked, err := os.ReadFile(filepath.Join(s.dir, "asked"))
	if err != nil && !os.IsNotExist(err) {
		s.t.Fatal(err)
	}
	return strings.LastIndex(string(asked), "dpms off") <= strings.LastIndex(string(asked), "dpms on")
}

// TestKiosk opens the page as the package fairbore-kiosk does, on a screen in memory. It waits for the
// page, goes dark only while nobody works, and ends with the browser; after a compositor that was
// killed the browser opens again with the same profile.
func TestKiosk(t *testing.T) {
	daemontest.Needs(t, "sway", "swaymsg", "swayidle", "chromium", "curl", "systemd-analyze")
	if out, err := exec.Command("systemd-analyze", "verify", "--man=no", filepath.Join("..", "..", "systemd", "fairbore-kiosk.service")).CombinedOutput(); err != nil || len(out) > 0 {
		t.Errorf("the unit: %v\n%s", err, out)
	}
	var shown atomic.Int32
	var answers, busy atomic.Bool
	page := httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		switch {
		case !answers.Load():
			panic(http.ErrAbortHandler) // no answer
		case r.URL.Path == "/healthz":
			w.WriteHeader(http.StatusServiceUnavailable)
			fmt.Fprintf(w, `{"ok":false,"stations":[{"name":"bay2","in_use":%v}]}`, busy.Load())
		case r.URL.Path == "/wall" && r.URL.RawQuery == "kiosk=1":
			shown.Add(1)
			fmt.Fprint(w, "<!doctype html><title>wall</title>")
		}
	}))
	defer page.Close()
	dir, err := os.MkdirTemp("", "kiosk") // a test's own folder is closed to other users
	if err != nil {
		t.Fatal(err)
	}
	defer os.RemoveAll(dir)
	s := &seat{t: t, dir: dir, url: page.URL + "/wall", conf: filepath.Join(dir, "sway.conf")}
	for _, name := range []string{"sway.conf", "session", "dark"} {
		text, err := os.ReadFile(filepath.Join("kiosk", name))
		if err == nil {
			err = os.WriteFile(filepath.Join(dir, name), []byte(strings.ReplaceAll(string(text), "/usr/lib/fairbore-kiosk", dir)), 0o755)
		}
		if err != nil {
			t.Fatal(err)
		}
	}
	swaymsg, err := exec.LookPath("swaymsg")
	if err == nil {
		err = os.WriteFile(filepath.Join(dir, "swaymsg"), []byte("#!/bin/sh\necho \"$@\" >>"+dir+"/asked\nexec "+swaymsg+" \"$@\"\n"), 0o755)
	}
	if err != nil {
		t.Fatal(err)
	}
	if c := s.user().Credential; c != nil {
		if err := os.Chown(dir, int(c.Uid), int(c.Gid)); err != nil {
			t.Fatal(err)
		}
	}
	eventually := func(what string, ok func() bool) {
		t.Helper()
		for end := time.Now().Add(time.Minute); !ok(); time.Sleep(50 * time.Millisecond) {
			if time.Now().After(end) {
				t.Fatalf("waited for %s", what)
			}
		}
	}
	kill := func() { // the compositor and all that it started, as the unit does
		_ = syscall.Kill(-s.cmd.Process.Pid, syscall.SIGKILL)
		_ = s.cmd.Wait()
		if pid := s.browser(); pid != 0 {
			_ = syscall.Kill(pid, syscall.SIGKILL)
		}
	}
	s.start()
	defer func() { kill() }()
	eventually("the compositor", s.ready)
	if s.browser() != 0 {
		t.Error("a browser although the page does not answer")
	}
	busy.Store(true)
	answers.Store(true)
	eventually("the page", func() bool { return shown.Load() == 1 })
	eventually("nobody to touch anything", func() bool {
		_, err := os.Stat(filepath.Join(dir, "fairbore-kiosk-idle"))
		return err == nil
	})
	if !s.lit() {
		t.Error("the screen is dark although somebody works")
	}
	busy.Store(false)
	eventually("the screen to go dark", func() bool { return !s.lit() })
	busy.Store(true)
	eventually("the screen to come on", s.lit)

	if err := syscall.Kill(s.browser(), syscall.SIGKILL); err != nil {
		t.Fatal(err)
	}
	if err := s.cmd.Wait(); err != nil {
		t.Errorf("the session ended with %v", err)
	}
	s.start()
	eventually("the page again", func() bool { return shown.Load() == 2 })
	kill()
	s.start()
	eventually("the page after the compositor was killed", func() bool { return shown.Load() == 3 })
}
