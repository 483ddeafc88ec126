package main

import (
	"flag"
	"fmt"
	"maps"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
	"testing"
)

var update = flag.Bool("update", false, "write licences.txt anew")

// TestLicences checks that the program tells the licence of every module that is linked into it on
// any system that it is built for, as the module's files have it; and those of Go's library, of
// itself, and of the typeface in its PDFs.
func TestLicences(t *testing.T) {
	dirs := map[string]string{} // by module and version
	for _, system := range []string{"linux", "windows"} {
		list := exec.Command("go", "list", "-deps", "-f", "{{with .Module}}{{if not .Main}}{{.Path}} {{.Version}}\t{{.Dir}}{{end}}{{end}}", ".")
		list.Env = append(os.Environ(), "GOOS="+system, "CGO_ENABLED=0")
		out, err := list.Output()
		if err != nil {
			t.Fatal(err)
		}
		for line := range strings.Lines(string(out)) {
			if module, dir, ok := strings.Cut(strings.TrimSpace(line), "\t"); ok {
				dirs[module] = dir
			}
		}
	}
	root, err := exec.Command("go", "env", "GOROOT").Output()
	if err != nil {
		t.Fatal(err)
	}
	dirs["fairbore"], dirs["the library of Go"], dirs["the typeface of PDFs"] = filepath.Join("..", ".."), strings.TrimSpace(string(root)), filepath.Join("..", "..", "daemon", "document", "font")
	legal := regexp.MustCompile(`(?i)^(licen[cs]e|copying|notice|patents|epl-|edl-)`)
	by := map[string][]string{} // text to the files that have it
	for _, module := range slices.Sorted(maps.Keys(dirs)) {
		files, err := os.ReadDir(dirs[module])
		if err != nil {
			t.Fatal(err)
		}
		found := false
		for _, f := range files {
			if f.IsDir() || !legal.MatchString(f.Name()) || strings.HasSuffix(f.Name(), ".go") {
				continue
			}
			text, err := os.ReadFile(filepath.Join(dirs[module], f.Name()))
			if err != nil {
				t.Fatal(err)
			}
			name := module + ", " + f.Name()
			body := strings.TrimSpace(strings.ReplaceAll(string(text), "\r\n", "\n"))
			by[body], found = append(by[body], name), true
		}
		if !found {
			t.Errorf("%s has no file with its licence", module)
		}
	}
	var b strings.Builder
	b.WriteString("What fairbore carries, and under which licences. Each text stands once, after the names of all that it is of.\n")
	texts := slices.SortedFunc(maps.Keys(by), func(x, y string) int { return strings.Compare(by[x][0], by[y][0]) })
	for _, text := range texts {
		fmt.Fprintf(&b, "\n%s\n%s\n\n%s\n", strings.Repeat("=", 80), strings.Join(by[text], "\n"), text)
	}
	if *update {
		if err := os.WriteFile("licences.txt", []byte(b.String()), 0o644); err != nil {
			t.Fatal(err)
		}
	} else if licences != b.String() {
		t.Error("licences.txt is not what the modules have: go test -run TestLicences ./cmd/fairbore -update")
	}
	if code, out, _ := fairbore("licences"); code != 0 || !*update && out != b.String() {
		t.Errorf("fairbore licences: exit %d, %d bytes", code, len(out))
	}
}
