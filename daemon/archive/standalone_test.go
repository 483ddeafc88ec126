package archive

import (
	"bytes"
	"os"
	"os/exec"
	"path/filepath"
	"testing"
	"time"

	"fairbore/analysis/notation"
	"fairbore/daemon/daemontest"
	"fairbore/daemon/event"
	"fairbore/daemon/setup"
)

// A record needs the journal alone: the built program makes the same bytes of a copy of it on any
// machine, whatever its time zone, without a configuration. Times are those of the shop, those that a
// person types too, and the language is the shop's unless another is asked for.
func TestRecordsNeedTheJournalAlone(t *testing.T) {
	s := openShop(t)
	shop, err := time.LoadLocation("America/Chicago")
	if err != nil {
		t.Fatal(err)
	}
	s.now.Wall = time.Date(2026, 11, 1, 0, 59, 30, 0, shop) // an hour before the clock goes back
	b := s.bay("hone-bay-2")
	set := setup.Settings(s.cfg, &s.cfg.Stations[0])
	set.Zone, set.Language, set.Capture.Mode = shop.String(), "de", "button"
	s.keep(b.Configure(s.now, set))
	b.gauge = set.Gauge.Name
	b.do(event.Action{Do: "job", Job: "J-4112"})
	b.do(event.Action{Do: "master", Ring: "R-1250", Of: 4})
	b.send("31.7497", "31.7497", "31.7497", "31.7497")
	b.sleeve("001", "31.7497", "31.7512", "31.7514", "31.7514", "31.7513", "31.7515", "31.7514")
	s.now.Wall = s.now.Wall.Add(90 * time.Minute)
	s.now.Mono += 90 * time.Minute
	b.do(event.Action{Do: "master", Ring: "R-1250", Of: 4})
	b.send("31.7497", "31.7497", "31.7497", "31.7497")
	b.sleeve("002", "31.7497", "31.7512", "31.7514", "31.7514", "31.7513", "31.7515", "31.7514")
	journal, err := os.ReadFile(s.path)
	if err != nil {
		t.Fatal(err)
	}
	wal, err := os.ReadFile(s.path + "-wal")
	if err != nil {
		t.Fatal(err)
	}
	on := func(zone string, args ...string) []byte {
		t.Helper()
		home := t.TempDir()
		for name, text := range map[string][]byte{"copy.db": journal, "copy.db-wal": wal} {
			if err := os.WriteFile(filepath.Join(home, name), text, 0o600); err != nil {
				t.Fatal(err)
			}
		}
		c := exec.Command(daemontest.Binary(t), args...)
		c.Dir, c.Env = home, []string{"TZ=" + zone, "HOME=" + home}
		var said bytes.Buffer
		c.Stderr = &said
		out, err := c.Output()
		if err != nil {
			t.Fatalf("%s %q: %v\n%s", zone, args, err, said.Bytes())
		}
		return out
	}
	for _, kind := range []string{"part", "first-article", "lot", "masterings"} {
		for _, format := range []string{"text", "html", "pdf", "csv"} {
			args := []string{"report", "copy.db", "--kind", kind, "--format", format, "--from", "2026-10-31", "--to", "2026-11-02 00:00"}
			if kind != "masterings" {
				args = append(args, "--job", "J-4112")
			}
			here := on(shop.String(), args...)
			for _, zone := range []string{"Asia/Tokyo", "UTC", "Nowhere/Known"} {
				if there := on(zone, args...); !bytes.Equal(here, there) {
					t.Errorf("%s as %s differs in %s (%d and %d bytes)", kind, format, zone, len(here), len(there))
				}
			}
			if format == "text" && kind == "part" {
				if !bytes.Contains(here, []byte("01.11.2026, 01:3")) || bytes.Contains(here, []byte("01.11.2026, 07:3")) {
					t.Errorf("the record of 002 is not in the shop's time:\n%s", here)
				}
				for _, l := range notation.Languages() {
					f := notation.Format{Language: l}
					there := on("Asia/Tokyo", append(args, "--lang", l.Tag)...)
					if !bytes.Contains(bytes.ToLower(there), bytes.ToLower([]byte(f.Text("record.title.part")))) || !bytes.Contains(there, []byte(f.Decimal(1.2501, 6))) || bytes.Equal(here, there) != (l.Tag == "de") {
						t.Errorf("the record in %s:\n%s", l.Name, there)
					}
				}
			}
		}
	}
	// By the shop's clock the second part was begun after 1:20 for the second time, 7:20 UTC.
	for from, wants := range map[string]string{"2026-11-01 03:00": "", "2026-11-01": "002"} {
		out := on("Asia/Tokyo", "export", "copy.db", "--format", "csv", "--from", from)
		if got := bytes.Contains(out, []byte("002")); got != (wants != "") {
			t.Errorf("export from %s: %s", from, out)
		}
	}
}
