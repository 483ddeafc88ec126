package head

import (
	"context"
	"encoding/base64"
	"encoding/json"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"fairbore/daemon/daemontest"
	"fairbore/daemon/event"
)

func example() event.Head {
	return event.Head{Journal: strings.Repeat("0f", 16), Seq: 293, Hash: strings.Repeat("a1b2c3d4", 8), At: time.Date(2026, 11, 25, 12, 18, 34, 600, time.UTC)}
}

func line() string { h := example(); return h.Line() }

// openssl runs openssl and returns what it writes.
func openssl(t testing.TB, args ...string) string {
	t.Helper()
	daemontest.Needs(t, "openssl")
	out, err := exec.Command("openssl", args...).CombinedOutput()
	if err != nil {
		t.Fatalf("openssl %s: %v\n%s", strings.Join(args, " "), err, out)
	}
	return string(out)
}

// pair makes a key as the documentation says, and returns the paths of both halves.
func pair(t testing.TB) (private, public string) {
	t.Helper()
	dir := t.TempDir()
	private, public = filepath.Join(dir, "journal.key"), filepath.Join(dir, "journal.pub")
	openssl(t, "genpkey", "-algorithm", "ed25519", "-out", private)
	openssl(t, "pkey", "-in", private, "-pubout", "-out", public)
	return private, public
}

// TestSignature checks that a signature is one by the judgement of openssl, that the fingerprint is
// the one that openssl works out, and that no head passes of which anything was changed.
func TestSignature(t *testing.T) {
	private, public := pair(t)
	s, err := ReadSigner(private)
	if err != nil {
		t.Fatal(err)
	}
	key, err := ReadPublic(public)
	if err != nil {
		t.Fatal(err)
	}
	h := example()
	if err := key.Check(&h); err == nil || !strings.Contains(err.Error(), "not signed") {
		t.Errorf("a head that is not signed: %v", err)
	}
	s.Sign(&h)
	if err := key.Check(&h); err != nil {
		t.Error(err)
	}
	dir := t.TempDir()
	raw, err := base64.StdEncoding.DecodeString(h.Signature)
	if err != nil {
		t.Fatal(err)
	}
	text := "fairbore head 1\njournal " + h.Journal + "\nrow 293\nhash " + h.Hash + "\nat 2026-11-25T12:18:34.0000006Z\n" // as the contract says
	for name, b := range map[string][]byte{"text": []byte(text), "sig": raw} {
		if err := os.WriteFile(filepath.Join(dir, name), b, 0o600); err != nil {
			t.Fatal(err)
		}
	}
	openssl(t, "pkeyutl", "-verify", "-pubin", "-inkey", public, "-rawin", "-in", filepath.Join(dir, "text"), "-sigfile", filepath.Join(dir, "sig"))
	openssl(t, "pkey", "-pubin", "-in", public, "-outform", "DER", "-out", filepath.Join(dir, "der"))
	if sum := openssl(t, "dgst", "-sha256", "-r", filepath.Join(dir, "der")); !strings.HasPrefix(sum, h.Key+" ") {
		t.Errorf("the fingerprint is %s, openssl says %s", h.Key, sum)
	}
	otherPrivate, otherPublic := pair(t)
	other, err := ReadSigner(otherPrivate)
	if err != nil {
		t.Fatal(err)
	}
	for name, change := range map[string]func(*event.Head){
		"journal": func(h *event.Head) { h.Journal = strings.Repeat("0e", 16) }, "row": func(h *event.Head) { h.Seq++ },
		"hash": func(h *event.Head) { h.Hash = strings.Repeat("00", 32) }, "time": func(h *event.Head) { h.At = h.At.Add(1) },
		"signature": func(h *event.Head) { h.Signature = base64.StdEncoding.EncodeToString(make([]byte, 64)) }, "no base64": func(h *event.Head) { h.Signature = "?" },
		"key": func(h *event.Head) { h.Key = strings.Repeat("00", 32) }, "signed by another": other.Sign,
		"another's signature under this key's name": func(h *event.Head) { was := h.Key; other.Sign(h); h.Key = was },
	} {
		changed := h
		change(&changed)
		if err := key.Check(&changed); err == nil {
			t.Errorf("%s: passes", name)
		}
	}
	same := h
	s.Sign(&same)
	if same != h {
		t.Error("the same head has two signatures, so that a record would not be the same twice")
	}
	for name, path := range map[string]string{"the public half": public, "nothing": filepath.Join(dir, "none"), "a text": filepath.Join(dir, "text"), "another kind": rsa(t)} {
		if _, err := ReadSigner(path); err == nil {
			t.Errorf("%s is taken for a key", name)
		}
	}
	if _, err := ReadPublic(private); err == nil {
		t.Error("the private half is taken for the public one")
	}
	if k, err := ReadPublic(otherPublic); err != nil || k.Check(&h) == nil {
		t.Errorf("another key: %v", err)
	}
	var none *Signer
	unsigned := example()
	if none.Sign(&unsigned); unsigned != example() {
		t.Error("signed without a key")
	}
}

// rsa makes a key that is none of Ed25519.
func rsa(t testing.TB) string {
	path := filepath.Join(t.TempDir(), "rsa.key")
	openssl(t, "genpkey", "-algorithm", "rsa", "-out", path)
	return path
}

// TestRead checks that a head is read from whatever states one, and from nothing else.
func TestRead(t *testing.T) {
	private, _ := pair(t)
	s, err := ReadSigner(private)
	if err != nil {
		t.Fatal(err)
	}
	signed := example()
	s.Sign(&signed)
	for _, want := range []event.Head{example(), signed} {
		published, err := json.Marshal(want)
		if err != nil {
			t.Fatal(err)
		}
		one := want.Line()
		for name, text := range map[string]string{
			"published": " " + string(published) + "\n", "text": "BORE RECORD\n" + strings.ReplaceAll(one, " hash ", " hash\n  ") + "\nSigned:\n",
			"HTML": "<ul><li>" + strings.ReplaceAll(strings.ReplaceAll(one, "+", "&#43;"), " journal ", " <b>journal</b> ") + "</li></ul>", "CSV": "a,b,head\r\n1,2," + one + "\r\n3,4," + one + "\r\n",
			"PDF": "%PDF-1.3\n\xff\x00<</Keywords (" + one + ")>>\n", "the lines that are signed": want.Text() + strings.TrimPrefix(one, strings.Join(strings.Fields(want.Text()), " ")),
		} {
			if got, err := Read([]byte(text)); err != nil || got != want {
				t.Errorf("%s: %+v, %v, want %+v", name, got, err, want)
			}
		}
	}
	other := example()
	other.Seq++
	for name, text := range map[string]string{
		"nothing": "", "a record of nothing": "fairbore head 1", "JSON of something else": "{}", "no JSON": "{", "two heads": line() + "\n" + other.Line(),
		"a short hash": strings.Replace(line(), "a1", "", 1), "a row beyond all": strings.Replace(line(), "row 293", "row 9999999999999999999", 1),
		"no time": strings.Replace(line(), "2026-11", "2026-13", 1), "JSON with a short hash": `{"journal":"j","seq":1,"hash":"aa"}`,
	} {
		if got, err := Read([]byte(text)); err == nil {
			t.Errorf("%s: read as %+v", name, got)
		}
	}
}

// TestEvery checks that a head is told at once, when there is a reason, and every hour.
func TestEvery(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		ctx, cancel := context.WithCancel(t.Context())
		began, told := time.Now(), []time.Duration(nil)
		now := make(chan struct{})
		ended := make(chan struct{})
		go func() {
			Every(ctx, now, func() { told = append(told, time.Since(began)) })
			close(ended)
		}()
		time.Sleep(10 * time.Minute)
		now <- struct{}{}
		time.Sleep(2 * time.Hour)
		cancel()
		<-ended
		if got, want := fmt.Sprint(told), "[0s 10m0s 1h0m0s 2h0m0s]"; got != want {
			t.Errorf("told at %s, want %s", got, want)
		}
	})
}

// FuzzRead checks that what is read as a head reads the same again from its own line.
func FuzzRead(f *testing.F) {
	f.Add([]byte(line()))
	f.Add([]byte(`{"journal":"j","seq":1,"hash":"` + strings.Repeat("0a", 32) + `","at":"2026-11-25T12:18:34Z"}`))
	f.Fuzz(func(t *testing.T, b []byte) {
		h, err := Read(b)
		if err != nil || strings.HasPrefix(strings.TrimSpace(string(b)), "{") {
			return
		}
		if again, err := Read([]byte(h.Line())); err != nil || again != h {
			t.Errorf("%+v reads as %+v, %v", h, again, err)
		}
	})
}
