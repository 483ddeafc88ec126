package packaging

import (
	"archive/tar"
	"bytes"
	"context"
	"encoding/json"
	"io"
	"maps"
	"net"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/santhosh-tekuri/jsonschema/v6"

	"fairbore/daemon/daemontest"
	"fairbore/daemon/event"
)

// architectures are those that packages are made for, with the program that runs their programs here.
func architectures() map[string]string {
	return map[string]string{"amd64": "", "arm64": "qemu-aarch64-static", "armhf": "qemu-arm-static"}
}

// output returns what a program writes, and fails the test if it ends with an error.
func output(t testing.TB, name string, args ...string) string {
	t.Helper()
	ctx, cancel := context.WithTimeout(context.Background(), 15*time.Minute)
	defer cancel()
	cmd := exec.CommandContext(ctx, name, args...)
	var errs bytes.Buffer
	cmd.Stderr = &errs
	out, err := cmd.Output()
	if err != nil {
		t.Fatalf("%s %s: %v\n%s%s", name, strings.Join(args, " "), err, out, &errs)
	}
	return string(out)
}

// made are the packages of a commit.
type made struct {
	dir    string            // with a repository, and the packages
	by     map[string]string // path of the package, by machine
	kiosk  string            // path of fairbore-kiosk, the same for all machines
	commit string
}

// make makes the packages of a clone's commit.
func (m *made) make(t testing.TB, machines ...string) {
	t.Helper()
	m.by = map[string]string{}
	m.commit = strings.TrimSpace(output(t, "git", "-C", filepath.Join(m.dir, "source"), "rev-parse", "HEAD"))
	to := filepath.Join(m.dir, m.commit)
	if err := os.MkdirAll(to, 0o755); err != nil {
		t.Fatal(err)
	}
	began := time.Now()
	output(t, filepath.Join(m.dir, "source", ".ci", "package", "build"), append([]string{to}, machines...)...)
	for _, machine := range machines {
		found, err := filepath.Glob(filepath.Join(to, "fairbore_*_"+machine+".deb"))
		if err != nil || len(found) != 1 {
			t.Fatalf("packages for %s: %q, %v", machine, found, err)
		}
		m.by[machine] = found[0]
	}
	m.kiosk = filepath.Join(to, strings.Replace(filepath.Base(m.by[machines[0]]), "fairbore_", "fairbore-kiosk_", 1))
	m.kiosk = strings.Replace(m.kiosk, machines[0]+".deb", "all.deb", 1)
	t.Logf("packages for %s in %.0f s", strings.Join(machines, ", "), time.Since(began).Seconds())
}

// clone returns a clone of the commit under test in a folder of its own.
func clone(t testing.TB) *made {
	t.Helper()
	daemontest.Needs(t, "git", "go", "nfpm", "cyclonedx-gomod", "dpkg-deb")
	m := &made{dir: t.TempDir()}
	output(t, "git", "clone", "-q", filepath.Join("..", ".."), filepath.Join(m.dir, "source"))
	return m
}

// unpacked returns a file of a package.
func unpacked(t testing.TB, deb, name string) []byte {
	t.Helper()
	for in := tar.NewReader(strings.NewReader(output(t, "dpkg-deb", "--fsys-tarfile", deb))); ; {
		h, err := in.Next()
		if err != nil {
			t.Fatalf("%s in %s: %v", name, deb, err)
		}
		if h.Name == "."+name {
			b, err := io.ReadAll(in)
			if err != nil {
				t.Fatal(err)
			}
			return b
		}
	}
}

// TestPackages makes the packages and tries them: made again elsewhere they are the same; they keep
// to Debian's policy; they say what is in them; on a machine of their kind they are installed,
// upgraded while a gauge sends, removed and purged; and the programs of the others gauge a part.
func TestPackages(t *testing.T) {
	m := clone(t)
	m.make(t, "amd64", "arm64", "armhf")
	t.Run("the same again", func(t *testing.T) {
		again := clone(t)
		again.make(t, "amd64", "arm64", "armhf")
		for machine, deb := range m.by {
			one, err := os.ReadFile(deb)
			if err != nil {
				t.Fatal(err)
			}
			two, err := os.ReadFile(again.by[machine])
			if err != nil || !bytes.Equal(one, two) {
				t.Errorf("%s: %d bytes, and then others, %d (%v)", machine, len(one), len(two), err)
			}
		}
		one, err := os.ReadFile(m.kiosk)
		if two, again := os.ReadFile(again.kiosk); err != nil || again != nil || !bytes.Equal(one, two) {
			t.Errorf("kiosk: %d bytes, and then others, %d (%v, %v)", len(one), len(two), err, again)
		}
	})
	t.Run("policy", func(t *testing.T) {
		daemontest.Needs(t, "lintian")
		for _, deb := range append(slices.Collect(maps.Values(m.by)), m.kiosk) {
			out, err := exec.Command("lintian", "--allow-root", "--fail-on=error,warning", "--tag-display-limit=0", deb).CombinedOutput()
			if err != nil || len(bytes.TrimSpace(out)) > 0 {
				t.Errorf("lintian: %v\n%s", err, out)
			}
		}
	})
	t.Run("what is in it", func(t *testing.T) { whatIsInIt(t, m) })
	for machine, emulator := range architectures() {
		t.Run("a part on "+machine, func(t *testing.T) { aPartOn(t, m, machine, emulator) })
	}
	t.Run("its life", func(t *testing.T) { itsLife(t, m) })
}

// whatIsInIt checks the list of what is in the program against the schema of its standard (CycloneDX
// 1.6), and that it names the modules of the program itself.
func whatIsInIt(t *testing.T, m *made) {
	schemas := os.Getenv("FAIRBORE_CYCLONEDX")
	if schemas == "" {
		daemontest.Missing(t, "FAIRBORE_CYCLONEDX does not name the folder of the CycloneDX schemas")
	}
	c := jsonschema.NewCompiler()
	const base = "http://cyclonedx.org/schema/"
	for _, name := range []string{"bom-1.6", "spdx", "jsf-0.82"} {
		f, err := os.Open(filepath.Join(schemas, name+".SNAPSHOT.schema.json"))
		if err != nil {
			t.Fatal(err)
		}
		doc, err := jsonschema.UnmarshalJSON(f)
		f.Close()
		if err == nil {
			err = c.AddResource(base+name+".SNAPSHOT.schema.json", doc)
		}
		if err != nil {
			t.Fatal(err)
		}
	}
	schema, err := c.Compile(base + "bom-1.6.SNAPSHOT.schema.json")
	if err != nil {
		t.Fatal(err)
	}
	for machine, deb := range m.by {
		list := unpacked(t, deb, "/usr/share/doc/fairbore/fairbore.cdx.json")
		doc, err := jsonschema.UnmarshalJSON(bytes.NewReader(list))
		if err != nil {
			t.Fatal(err)
		}
		if err := schema.Validate(doc); err != nil {
			t.Errorf("%s: %v", machine, err)
		}
		var bom struct {
			Components []struct{ Name, Version string }
		}
		if err := json.Unmarshal(list, &bom); err != nil {
			t.Fatal(err)
		}
		var listed, linked []string
		for _, x := range bom.Components {
			if x.Name != "std" { // the library of Go
				listed = append(listed, x.Name+" "+x.Version)
			}
		}
		bin := filepath.Join(t.TempDir(), "fairbore")
		if err := os.WriteFile(bin, unpacked(t, deb, "/usr/bin/fairbore"), 0o755); err != nil {
			t.Fatal(err)
		}
		for line := range strings.Lines(output(t, "go", "version", "-m", bin)) {
			if f := strings.Fields(line); len(f) >= 3 && f[0] == "dep" {
				linked = append(linked, f[1]+" "+f[2])
			}
		}
		slices.Sort(listed)
		slices.Sort(linked)
		if !slices.Equal(listed, linked) || len(linked) == 0 {
			t.Errorf("%s: the list has\n%q\nand the program\n%q", machine, listed, linked)
		}
	}
}

// gauge puts a gauge at the far end of a network line: what the rig's gauge sends goes to whoever is
// connected at a listener.
func gauge(t testing.TB, r *daemontest.Rig, at net.Listener) {
	t.Helper()
	from, to, err := os.Pipe()
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { at.Close(); to.Close(); from.Close() })
	r.Device, r.Gauge = "tcp://"+at.Addr().String(), &daemontest.Gauge{T: t, Master: to}
	var mu sync.Mutex
	var connected []net.Conn
	go func() {
		for {
			c, err := at.Accept()
			if err != nil {
				return
			}
			mu.Lock()
			connected = append(connected, c)
			mu.Unlock()
		}
	}()
	go func() {
		for b := make([]byte, 256); ; {
			n, err := from.Read(b)
			if err != nil {
				return
			}
			mu.Lock()
			for _, c := range connected {
				_, _ = c.Write(b[:n]) // whoever has gone away needs nothing
			}
			mu.Unlock()
		}
	}()
}

// aPartOn gauges a part with the program of a machine, under an emulator where it isn't this one.
func aPartOn(t *testing.T, m *made, machine, emulator string) {
	bin := filepath.Join(t.TempDir(), "fairbore")
	if err := os.WriteFile(bin, unpacked(t, m.by[machine], "/usr/bin/fairbore"), 0o755); err != nil {
		t.Fatal(err)
	}
	r := daemontest.NewRig(t)
	r.Runs = []string{bin}
	if emulator != "" {
		daemontest.Needs(t, emulator)
		r.Runs = []string{emulator, bin}
	}
	fairbore := func(args ...string) string {
		t.Helper()
		return output(t, r.Runs[0], slices.Concat(r.Runs[1:], args)...)
	}
	if says := fairbore("--version"); says != fairbore("version") || !strings.Contains(says, m.commit) || strings.Contains(says, "dirty") {
		t.Errorf("the version of commit %s: %s", m.commit, says)
	}
	at, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	gauge(t, r, at)
	if says := fairbore("check", r.Write()); !strings.Contains(says, "good; 1 station") {
		t.Errorf("check: %s", says)
	}
	r.Start()
	r.Master()
	for i, shown := range []string{"31.75130", "31.75132", "31.75134", "31.75136", "31.75138", "31.75140"} {
		time.Sleep(20 * time.Millisecond) // the same moment would be one reading
		r.Reading(shown, i+1)
	}
	if reply := r.Do(event.Action{Do: "accept"}); !reply.Done {
		t.Errorf("accept: %s", reply.Why)
	}
	r.Stop()
	if says := fairbore("verify", r.Journal()); !strings.Contains(says, "sound") {
		t.Errorf("verify: %s", says)
	}
	if says := fairbore("report", r.Journal()); !strings.Contains(says, "ACCEPTED") {
		t.Errorf("report:\n%s", says)
	}
}
