package webtest

import (
	"bytes"
	"context"
	"flag"
	"image/png"
	"os"
	"path/filepath"
	"regexp"
	"testing"
	"time"

	"github.com/chromedp/chromedp"
	"github.com/rs/zerolog"

	"fairbore/daemon/daemontest"
	"fairbore/daemon/demo"
)

var update = flag.Bool("update", false, "take the picture of the README anew")

// The README shows the page of the demo as it is on 7 inches when the first advice is given.
func TestPictureOfTheReadme(t *testing.T) {
	const file = "testdata/readme/page.png"
	root := filepath.Join("..", "..")
	readme, err := os.ReadFile(filepath.Join(root, "README.md"))
	if err != nil || !bytes.Contains(readme, []byte("]("+file+")")) {
		t.Fatalf("the README does not show %s (%v)", file, err)
	}
	if *update {
		takePicture(t, filepath.Join(root, file))
	}
	b, err := os.ReadFile(filepath.Join(root, file))
	if err != nil {
		t.Fatalf("%v: take it by go test -run TestPictureOfTheReadme ./daemon/webtest -update", err)
	}
	if c, err := png.DecodeConfig(bytes.NewReader(b)); err != nil || c.Width != 1024 || c.Height != 600 {
		t.Errorf("%s is %d × %d (%v), want 1024 × 600", file, c.Width, c.Height, err)
	}
}

func takePicture(t *testing.T, file string) {
	ctx, cancel := context.WithCancel(t.Context())
	said, over := &daemontest.LockedBuffer{}, make(chan error, 1)
	go func() {
		over <- demo.Play(ctx, demo.Options{Speed: 3, Job: "J-4112", Capture: "button", Seed: 5, Listen: "127.0.0.1:0", MQTT: "127.0.0.1:0", Version: "test", Out: said, Log: zerolog.Nop()})
	}()
	defer func() {
		cancel()
		if err := <-over; err != nil {
			t.Error(err)
		}
	}()
	var page []string
	for end := time.Now().Add(time.Minute); page == nil && time.Now().Before(end); time.Sleep(50 * time.Millisecond) {
		page = regexp.MustCompile(`http://127\.0\.0\.1:\d+/`).FindStringSubmatch(said.String())
	}
	if page == nil {
		t.Fatalf("the demo says no address:\n%s", said.String())
	}
	b := newBrowser(t)
	b.open(page[0]+"station/hone-bay-2?lang=en", 1024, 600)
	b.wait("the first advice", `document.querySelector("#main").dataset.tone === "stock" && document.querySelector("#due:not([hidden])") && !document.querySelector("#note").textContent`)
	shot, err := chromedp.Run(b.ctx, chromedp.CaptureScreenshot())
	if err != nil {
		t.Fatal(err)
	}
	if err := os.MkdirAll(filepath.Dir(file), 0o755); err != nil {
		t.Fatal(err)
	}
	if err := os.WriteFile(file, shot, 0o644); err != nil {
		t.Fatal(err)
	}
}
