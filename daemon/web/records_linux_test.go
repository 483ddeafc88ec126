package web

import (
	"fmt"
	"io"
	"net/http"
	"strings"
	"testing"

	"golang.org/x/sys/unix"

	"fairbore/daemon/daemontest"
	"fairbore/daemon/web/export"
)

// A fault in making something is told, and ends neither the page nor the program;
// no more does a disk without room, which says so.
func TestOrderFails(t *testing.T) {
	dir := t.TempDir()
	if err := unix.Mount("tmpfs", dir, "tmpfs", 0, "size=256k"); err != nil {
		daemontest.Missing(t, "mount a small file system: "+err.Error())
	}
	s, m, _, stop := spooled(t, func(c *Config) { c.Spool = dir })
	t.Cleanup(func() {
		stop()
		if err := unix.Unmount(dir, 0); err != nil { // a file that is still open would keep it
			t.Error(err)
		}
	})
	for _, c := range []struct {
		step func(io.Writer, func(uint64, uint64)) (bool, error)
		why  string
	}{
		{func(io.Writer, func(uint64, uint64)) (bool, error) { panic("a fault") }, en.Text("page.order.failed")},
		{func(out io.Writer, _ func(uint64, uint64)) (bool, error) {
			for range 100 {
				if _, err := fmt.Fprint(out, strings.Repeat("x", 10<<10)); err != nil {
					return true, fmt.Errorf("export the journal: %w", err)
				}
			}
			return true, nil
		}, en.Text("page.order.full")},
	} {
		_, p := orders(t, s, `{"what":"events"}`)
		<-m.got
		m.step <- c.step
		eventually(t, "it to fail", func() bool { return toldOf(t, s, p.ID).State == export.Failed })
		if now := toldOf(t, s, p.ID); now.Why != c.why {
			t.Errorf("%q, want %q", now.Why, c.why)
		}
		if code, _, _ := get(t, s, "/records/"+p.ID+"/file"); code != http.StatusNotFound {
			t.Errorf("half a file is handed out: %d", code)
		}
	}
	_, p := orders(t, s, `{"what":"events"}`)
	<-m.got
	m.end("{}\n", nil)
	eventually(t, "room again", func() bool { return toldOf(t, s, p.ID).State == export.Made })
}
