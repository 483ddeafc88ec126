package config

import (
	"math/rand/v2"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"

	"golang.org/x/sys/unix"

	"fairbore/daemon/faulttest"
)

// replacing is the variable with the file that the process of [TestReplaceInAnother] replaces.
const replacing = "FAIRBORE_REPLACING"

var oldText, newText = strings.Repeat("site: old # by hand\n", 900), strings.Repeat("site: new # by hand, and longer\n", 900)

// TestReplaceInAnother is the process that loses its power.
func TestReplaceInAnother(t *testing.T) {
	if path := os.Getenv(replacing); path != "" {
		if err := Replace(path, []byte(oldText), []byte(newText)); err != nil {
			t.Fatal(err)
		}
	}
}

// TestReplaceOverAPowerCut cuts the power at each change that Replace makes to the disk, in each of
// the ways in which a cut ends: the file has the old or the new text, whole, and the new one once
// Replace has returned.
func TestReplaceOverAPowerCut(t *testing.T) {
	dir := filepath.Join(t.TempDir(), "disk")
	disk := faulttest.NewDisk(t, dir)
	path := filepath.Join(dir, "fairbore.yaml")
	rng := rand.New(rand.NewPCG(1, 1))
	seen := map[string]int{}
	for _, cut := range faulttest.Cuts() {
		for n, done := 1, false; !done; n++ {
			f, err := os.Create(path)
			if err != nil {
				t.Fatal(err)
			}
			if _, err := f.WriteString(oldText); err != nil {
				t.Fatal(err)
			}
			if err := f.Sync(); err != nil {
				t.Fatal(err)
			}
			f.Close()
			if err := syncDir(dir); err != nil {
				t.Fatal(err)
			}
			failed := disk.FailAfter(n)
			c := exec.Command(os.Args[0], "-test.run=^TestReplaceInAnother$")
			c.Env = append(os.Environ(), replacing+"="+path)
			if err := c.Start(); err != nil {
				t.Fatal(err)
			}
			over := make(chan error, 1)
			go func() { over <- c.Wait() }()
			select {
			case <-failed:
			case err := <-over:
				if done = true; err != nil {
					t.Fatal(err)
				}
				over <- nil
				disk.Off()
			}
			disk.Replace(c.Process, func() error { return <-over }, cut, rng)
			text, err := os.ReadFile(path)
			is := string(text)
			if err != nil || is != newText && (done || is != oldText) {
				t.Fatalf("%v, cut at change %d (returned: %v): %v, %d bytes", cut, n, done, err, len(text))
			}
			seen[map[bool]string{true: "new", false: "old"}[is == newText]]++
		}
	}
	if seen["old"] == 0 || seen["new"] == 0 {
		t.Errorf("texts seen: %v", seen)
	}
	t.Logf("after a cut: %v", seen)
}

// TestReplaceOnAFullDisk leaves the file and nothing besides.
func TestReplaceOnAFullDisk(t *testing.T) {
	dir := t.TempDir()
	if err := unix.Mount("tmpfs", dir, "tmpfs", 0, "size=64k"); err != nil {
		t.Skip("mount a small disk: " + err.Error())
	}
	t.Cleanup(func() {
		if err := unix.Unmount(dir, 0); err != nil {
			t.Error(err)
		}
	})
	path := filepath.Join(dir, "fairbore.yaml")
	if err := os.WriteFile(path, []byte(oldText), 0o640); err != nil {
		t.Fatal(err)
	}
	err := Replace(path, []byte(oldText), []byte(strings.Repeat(newText, 4)))
	text, _ := os.ReadFile(path)
	list, _ := os.ReadDir(dir)
	if err == nil || string(text) != oldText || len(list) > 2 {
		t.Errorf("%v, %d bytes, %v", err, len(text), list)
	}
}
