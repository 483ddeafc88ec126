package code_test

import (
	"bytes"
	"image"
	"image/color"
	"image/png"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"

	"fairbore/daemon/code"
	"fairbore/daemon/daemontest"
)

// Another program reads what a scanner is to read.
func TestCodesAreReadByOthers(t *testing.T) {
	daemontest.Needs(t, "zbarimg")
	for _, text := range []string{"J-4112", "R-1250", "do:round", "001", "http://192.168.1.20:8080/", "Bohrung Ø 31,75 µm", strings.Repeat("x", code.Most)} {
		c, err := code.New(text)
		if err != nil {
			t.Fatal(err)
		}
		const scale = 4
		whole := scale * (c.Size() + 2*code.Quiet)
		img := image.NewGray(image.Rect(0, 0, whole, whole))
		for i := range img.Pix {
			img.Pix[i] = 0xff
		}
		for r := range c.Runs {
			for y := range scale {
				for x := range r.N * scale {
					img.Set((r.X+code.Quiet)*scale+x, (r.Y+code.Quiet)*scale+y, color.Black)
				}
			}
		}
		var b bytes.Buffer
		if err := png.Encode(&b, img); err != nil {
			t.Fatal(err)
		}
		path := filepath.Join(t.TempDir(), "code.png")
		if err := os.WriteFile(path, b.Bytes(), 0o600); err != nil {
			t.Fatal(err)
		}
		out, err := exec.Command("zbarimg", "--quiet", "--raw", path).Output()
		if got := strings.TrimSuffix(string(out), "\n"); err != nil || got != text {
			t.Errorf("%q is read as %q (%v)", text, got, err)
		}
	}
}

func TestCodeRefuses(t *testing.T) {
	for _, text := range []string{"", strings.Repeat("x", code.Most+1)} {
		if _, err := code.New(text); err == nil {
			t.Errorf("a code of %d bytes", len(text))
		}
	}
}
