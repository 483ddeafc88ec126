package faulttest

import (
	"bytes"
	"errors"
	"math/rand/v2"
	"os"
	"os/exec"
	"path/filepath"
	"syscall"
	"testing"

	"golang.org/x/sys/unix"
)

const mapEnv = "FAIRBORE_MAP"

// TestMain is also the process that maps a file of the disk into memory.
func TestMain(m *testing.M) {
	if path := os.Getenv(mapEnv); path != "" {
		os.Exit(mapFile(path))
	}
	os.Exit(m.Run())
}

// mapFile changes a file of one page through memory that is shared with a second mapping.
func mapFile(path string) int {
	f, err := os.OpenFile(path, os.O_RDWR, 0)
	if err != nil {
		return 2
	}
	one, err := unix.Mmap(int(f.Fd()), 0, page, unix.PROT_READ|unix.PROT_WRITE, unix.MAP_SHARED)
	if err != nil {
		return 3
	}
	two, err := unix.Mmap(int(f.Fd()), 0, page, unix.PROT_READ, unix.MAP_SHARED)
	if err != nil {
		return 4
	}
	copy(one, "mapped")
	if string(two[:6]) != "mapped" {
		return 5
	}
	if unix.Msync(one, unix.MS_SYNC) != nil {
		return 6
	}
	return 0
}

// bench is a disk with a file of two pages of the letter o, synced.
type bench struct {
	*testing.T
	*Disk
	dir string
}

func newBench(t *testing.T) bench {
	b := bench{t, nil, t.TempDir()}
	b.Disk = NewDisk(t, b.dir)
	b.write("old", 0, bytes.Repeat([]byte("o"), 2*page))
	b.sync("old")
	b.sync("")
	return b
}

func (b bench) path(name string) string { return filepath.Join(b.dir, name) }

func (b bench) must(err error) {
	b.Helper()
	if err != nil {
		b.Fatal(err)
	}
}

func (b bench) write(name string, at int64, data []byte) {
	b.Helper()
	f, err := os.OpenFile(b.path(name), os.O_RDWR|os.O_CREATE, 0o600)
	b.must(err)
	_, err = f.WriteAt(data, at)
	b.must(errors.Join(err, f.Close()))
}

func (b bench) trySync(name string) error {
	f, err := os.Open(b.path(name))
	b.must(err)
	return errors.Join(f.Sync(), f.Close())
}

func (b bench) sync(name string) {
	b.Helper()
	b.must(b.trySync(name))
}

func (b bench) read(name string) []byte {
	b.Helper()
	content, err := os.ReadFile(b.path(name))
	b.must(err)
	return content
}

func (b bench) there(name string) bool {
	_, err := os.Stat(b.path(name))
	return err == nil
}

func (b bench) cut(c Cut, seed uint64) {
	b.Helper()
	user := exec.Command("sleep", "60")
	b.must(user.Start())
	b.Off()
	b.Replace(user.Process, user.Wait, c, rand.New(rand.NewPCG(seed, 0)))
}

func TestWhatWasNotSyncedIsLost(t *testing.T) {
	b := newBench(t)
	b.write("old", 100, []byte("new"))
	b.write("named", 0, []byte("content"))
	b.sync("named")
	b.sync("")
	b.write("nameless", 0, []byte("content"))
	b.sync("nameless")
	b.must(os.Mkdir(b.path("folder"), 0o700))
	b.write("folder/file", 0, []byte("content"))
	b.sync("folder/file")
	b.sync("folder")
	b.must(os.Rename(b.path("named"), b.path("renamed")))
	if b.there("named") || string(b.read("renamed")) != "content" || string(b.read("old")[100:103]) != "new" {
		t.Error("what was written can't be read before the cut")
	}
	if n := b.Syncs(); n[""] != 2 || n["nameless"] != 1 || n["folder/file"] != 1 {
		t.Errorf("syncs: %v", n)
	}
	b.cut(Dropped, 1)
	if b.there("nameless") || b.there("folder") || b.there("renamed") || string(b.read("named")) != "content" || string(b.read("old")[100:103]) != "ooo" {
		t.Error("something is left that was not synced, or something is lost that was")
	}
	b.must(os.Remove(b.path("named")))
	b.sync("")
	b.cut(Dropped, 1)
	if b.there("named") {
		t.Error("a name that was removed is back, although its folder was synced")
	}
}

// TestPiecesOfAFile compares what a cut leaves of a file that was overwritten with what was written:
// o before, n after, anything else is rubbish.
func TestPiecesOfAFile(t *testing.T) {
	for _, cut := range Cuts() {
		t.Run(cut.String(), func(t *testing.T) {
			b := newBench(t)
			was := map[string]int{}
			for seed := range uint64(12) {
				b.write("old", 0, bytes.Repeat([]byte("o"), 2*page))
				b.sync("old")
				for at := 256; at+512 < 2*page; at += 512 { // no piece is written as a whole
					b.write("old", int64(at), bytes.Repeat([]byte("n"), 256))
				}
				b.cut(cut, seed)
				content := b.read("old")
				if len(content) != 2*page {
					t.Fatalf("%d bytes", len(content))
				}
				later := false
				for at := 0; at+512 < 2*page; at += 512 {
					synced, written := kind(content[at:at+256], 'o'), kind(content[at+256:at+512], 'n')
					was["synced "+synced]++
					was["written "+written]++
					if cut == InOrder && later && written == "as asked" {
						t.Errorf("seed %d: what was written at %d is there, and something before is not", seed, at)
					}
					later = later || written != "as asked"
				}
			}
			rubbish, spoilt := was["written rubbish"] > 0, was["synced rubbish"] > 0
			if some := was["written as asked"] > 0; some != (cut != Dropped) || rubbish != (cut == Rubbish || cut == Spoilt) || spoilt != (cut == Spoilt) {
				t.Errorf("%v", was)
			}
		})
	}
}

// kind says whether bytes are all of one letter, all as they were, or something else.
func kind(b []byte, letter byte) string {
	switch {
	case bytes.Count(b, []byte{letter}) == len(b):
		return "as asked"
	case bytes.Count(b, []byte("o")) == len(b):
		return "as before"
	}
	return "rubbish"
}

func TestFailedSyncDropsWhatItShouldWrite(t *testing.T) {
	b := newBench(t)
	b.write("old", 0, []byte("lost"))
	b.Fail(Sync, 1)
	if err := b.trySync("old"); !errors.Is(err, syscall.EIO) || b.Refused() != 1 {
		t.Errorf("a sync that is to fail: %v", err)
	}
	b.write("old", page, []byte("kept"))
	b.sync("old")
	if string(b.read("old")[:4]) != "lost" {
		t.Error("what the sync dropped can't be read")
	}
	b.cut(Dropped, 1)
	if c := b.read("old"); string(c[:4]) != "oooo" || string(c[page:page+4]) != "kept" {
		t.Errorf("after the cut: %s %s", c[:4], c[page:page+4])
	}
}

func TestFullDisk(t *testing.T) {
	b := newBench(t)
	b.Fill(page)
	b.write("more", 0, []byte("x"))
	if err := os.WriteFile(b.path("most"), []byte("x"), 0o600); !errors.Is(err, syscall.ENOSPC) {
		t.Errorf("write to a full disk: %v", err)
	}
	b.must(os.Remove(b.path("more")))
	b.write("most", 0, []byte("x"))
}

func TestPowerFailsAtAChange(t *testing.T) {
	b := newBench(t)
	failed := b.FailAfter(3) // the name, its content, and the sync
	done := make(chan error, 1)
	go func() {
		f, err := os.Create(b.path("new"))
		if err == nil {
			_, err = f.WriteString("content")
			err = errors.Join(err, f.Sync(), f.Close())
		}
		done <- err
	}()
	<-failed
	select {
	case err := <-done:
		t.Errorf("the sync ended with %v", err)
	default:
	}
	user := exec.Command("sleep", "60")
	b.must(user.Start())
	b.Replace(user.Process, user.Wait, InOrder, rand.New(rand.NewPCG(5, 0)))
	if err := <-done; err == nil {
		t.Error("the sync succeeded without power")
	}
}

// SQLite maps the file with its locks into memory.
func TestFilesCanBeMapped(t *testing.T) {
	b := newBench(t)
	child := exec.Command(os.Args[0])
	child.Env = append(os.Environ(), mapEnv+"="+b.path("old"))
	if out, err := child.CombinedOutput(); err != nil {
		t.Fatalf("%v: %s", err, out)
	}
	if got := string(b.read("old")[:6]); got != "mapped" {
		t.Errorf("the file has %q", got)
	}
}
