package daemon_test

import (
	"context"
	"encoding/json"
	"os"
	"strconv"
	"strings"
	"testing"
	"time"

	"github.com/rs/zerolog"

	"fairbore/daemon/daemontest"
	"fairbore/daemon/event"
	"fairbore/daemon/store"
)

// TestHeadsKeptElsewhere checks what only a head that is kept elsewhere can show: that a journal was
// written anew as a whole, or that its end was cut off, while the file by itself is sound. The head
// is on the broker when a part was accepted, and stands in every record; both are signed.
func TestHeadsKeptElsewhere(t *testing.T) {
	daemontest.Needs(t, "mosquitto", "mosquitto_sub", "openssl")
	r := daemontest.NewRig(t)
	r.Key = r.Path("journal.key")
	public, other := r.Path("journal.pub"), r.Path("other.pub")
	run(t, "openssl", "genpkey", "-algorithm", "ed25519", "-out", r.Key)
	run(t, "openssl", "pkey", "-in", r.Key, "-pubout", "-out", public)
	run(t, "openssl", "genpkey", "-algorithm", "ed25519", "-out", r.Path("other.key"))
	run(t, "openssl", "pkey", "-in", r.Path("other.key"), "-pubout", "-out", other)
	m := daemontest.NewMosquitto(t, r.Dir, "allow_anonymous true")
	r.Broker = `url: "tcp://` + m.Addr + `"`
	r.Plug()
	r.Start()
	r.Stop()
	journal, cut, anew := r.Path("journal/journal.db"), r.Path("cut.db"), r.Path("anew.db")
	early, err := os.ReadFile(journal)
	if err != nil {
		t.Fatal(err)
	}
	for _, path := range []string{cut, anew} {
		if err := os.WriteFile(path, early, 0o600); err != nil {
			t.Fatal(err)
		}
	}
	r.Start()
	r.Master()
	for i, shown := range []string{"31.75130", "31.75132", "31.75134", "31.75136", "31.75138", "31.75140"} {
		time.Sleep(5 * time.Millisecond)
		r.Reading(shown, i+1)
	}
	if reply := r.Do(event.Action{Do: "accept"}); !reply.Done {
		t.Fatalf("accept: %s", reply.Why)
	}
	accepted := uint64(r.Metric("fairbore_journal_events_total"))
	s := daemontest.Subscribe(t, m.Addr) // it comes late, and is told what the broker retains
	var text string
	var told event.Head
	r.Eventually(20*time.Second, "the head at the acceptance", func() bool {
		s.Mu.Lock()
		defer s.Mu.Unlock()
		for _, l := range s.Lines {
			topic, payload, _ := strings.Cut(l, " ")
			if !strings.HasSuffix(topic, "/head") {
				continue
			}
			text, told = payload, event.Head{}
			if err := json.Unmarshal([]byte(payload), &told); err != nil || topic != "fairbore/1/test/"+told.Journal+"/head" {
				t.Fatalf("%q: %v", l, err)
			}
		}
		return told.Seq >= accepted
	})
	head := r.Path("head.json")
	if err := os.WriteFile(head, []byte(text+"\n"), 0o600); err != nil {
		t.Fatal(err)
	}
	// answers runs verify on a journal and checks how it ends and what it says.
	answers := func(code int, says string, args ...string) {
		t.Helper()
		got, out := r.Exit(append([]string{"verify"}, args...)...)
		if got != code || !strings.Contains(out, says) {
			t.Errorf("verify %q: exit %d, want %d, saying %q:\n%s", args, got, code, says, out)
		}
	}
	fits := "; signed by the key " + told.Key
	answers(0, fits, journal, "--head", text, "--key", public)
	answers(0, fits, journal, "--head", head, "--key", public)
	answers(0, "its signature is not checked; give --key", journal, "--head", head)
	answers(4, "signed by another key", journal, "--head", head, "--key", other)
	answers(4, "its signature does not fit", journal, "--head", strings.Replace(text, `"signature":"`, `"signature":"AAAA`, 1), "--key", public)
	answers(4, "row "+strconv.FormatUint(told.Seq-1, 10)+" has another hash", journal, "--head", strings.Replace(text, `"seq":`+strconv.FormatUint(told.Seq, 10), `"seq":`+strconv.FormatUint(told.Seq-1, 10), 1))
	var records []string
	for _, format := range []string{"text", "html", "pdf", "csv"} {
		record := r.Path("record." + format)
		if code, says := r.Exit("report", journal, "--key", r.Key, "--format", format, "-o", record); code != 0 {
			t.Fatalf("report: exit %d: %s", code, says)
		}
		answers(0, fits, journal, "--record", record, "--key", public)
		answers(0, "its figures are not compared", journal, "--record", record, "--key", public)
		answers(4, "signed by another key", journal, "--record", record, "--key", other)
		records = append(records, record)
	}
	unsigned := r.Path("unsigned.txt")
	if code, says := r.Exit("report", journal, "-o", unsigned); code != 0 {
		t.Fatalf("report: exit %d: %s", code, says)
	}
	answers(0, "; not signed", journal, "--record", unsigned)
	answers(4, "it is not signed", journal, "--record", unsigned, "--key", public)
	answers(1, "states no head", journal, "--record", r.Path("fairbore.yaml"))
	answers(64, "--key is for --head and --record", journal, "--key", public)
	r.Stop()

	writeAnew(t, anew, told.Seq)
	answers(0, "sound", anew)
	answers(4, "row "+strconv.FormatUint(told.Seq, 10)+" has another hash", anew, "--head", head)
	answers(0, "sound", cut)
	answers(4, "rows were cut off the end", cut, "--head", head)
	for _, record := range records {
		answers(4, "the record does not fit", anew, "--record", record, "--key", public)
		answers(4, "the record does not fit", cut, "--record", record)
	}
	elsewhere := r.Path("elsewhere.db")
	writeAnew(t, elsewhere, told.Seq)
	answers(4, "it is of journal "+told.Journal, elsewhere, "--head", head)

	if err := os.Chmod(r.Key, 0o644); err != nil {
		t.Fatal(err)
	}
	for _, args := range [][]string{{"check", r.Path("fairbore.yaml")}, {"run", "-c", r.Path("fairbore.yaml")}} {
		if code, says := r.Exit(args...); code != 3 || !strings.Contains(says, "chmod 0640 "+r.Key) {
			t.Errorf("%s with a key that others may read: exit %d: %s", args[0], code, says)
		}
	}
	if err := os.WriteFile(r.Key, []byte("no key\n"), 0o600); err != nil {
		t.Fatal(err)
	}
	if code, says := r.Exit("check", r.Path("fairbore.yaml")); code != 3 || !strings.Contains(says, "journal.key_file") {
		t.Errorf("check with a key that is none: exit %d: %s", code, says)
	}
}

// writeAnew goes on with a journal, or begins one, up to a row: as whoever can write the file can,
// with rows of his own and a chain that holds.
func writeAnew(t testing.TB, path string, rows uint64) {
	t.Helper()
	j, err := store.Open(t.Context(), store.Config{Path: path, Log: zerolog.Nop()})
	if err != nil {
		t.Fatal(err)
	}
	ctx, cancel := context.WithCancel(t.Context())
	ended := make(chan error, 1)
	go func() { ended <- j.Run(ctx) }()
	for range rows - j.Last() {
		if err := j.Append(ctx, []event.Event{{Station: "bay2", At: time.Now(), Kind: event.NoteAdded, Source: "page", Note: "nothing happened"}}); err != nil {
			t.Fatal(err)
		}
	}
	for end := time.Now().Add(time.Minute); j.Last() < rows; time.Sleep(time.Millisecond) {
		if time.Now().After(end) {
			t.Fatal("the rows are not written")
		}
	}
	cancel()
	<-ended
	if err := j.Close(); err != nil {
		t.Fatal(err)
	}
}
