package store

import (
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"strings"
	"testing"
)

// The Go port of SQLite works only with exactly the version of the C library that it was made with.
// Other versions have crashed on ARM. The package's documentation also asks for that version.
func TestLibraryVersionsMatch(t *testing.T) {
	dir := goList(t, "-m", "-f", "{{.Dir}}", "modernc.org/sqlite")
	text, err := os.ReadFile(filepath.Join(dir, "go.mod"))
	if err != nil {
		t.Fatal(err)
	}
	m := regexp.MustCompile(`modernc\.org/libc (v\S+)`).FindSubmatch(text)
	if m == nil {
		t.Fatal("SQLite's go.mod names no modernc.org/libc")
	}
	if got := goList(t, "-m", "-f", "{{.Version}}", "modernc.org/libc"); got != string(m[1]) {
		t.Errorf("modernc.org/libc is %s and must be %s, which modernc.org/sqlite names", got, m[1])
	}
}

func goList(t *testing.T, args ...string) string {
	t.Helper()
	out, err := exec.CommandContext(t.Context(), "go", append([]string{"list"}, args...)...).Output()
	if err != nil {
		t.Fatal(err)
	}
	return strings.TrimSpace(string(out))
}
