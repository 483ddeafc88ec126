package store

import (
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"syscall"
	"testing"
)

// Verify works on a journal whose reader may write neither to the file nor to its folder, such as a
// copy that was handed on. If the superuser runs the test, it reads the journal as another user,
// since the superuser may write to every file.
func TestVerifyWhereNobodyMayWrite(t *testing.T) {
	if path := os.Getenv("STORE_READ_ONLY"); path != "" {
		rep, err := Verify(t.Context(), path, nil)
		if err != nil || !rep.Sound() || rep.Rows != 62 {
			t.Errorf("%+v, %v", rep, err)
		}
		return
	}
	cfg := config(t)
	fill(t, cfg, 60)
	dir, err := os.MkdirTemp("", "read-only") // only the owner may read t.TempDir
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		os.Chmod(dir, 0o755)
		os.RemoveAll(dir)
	})
	text, err := os.ReadFile(cfg.Path)
	if err != nil {
		t.Fatal(err)
	}
	program, err := os.ReadFile(os.Args[0])
	if err != nil {
		t.Fatal(err)
	}
	path, self := filepath.Join(dir, "journal.db"), filepath.Join(dir, "test")
	if err := os.WriteFile(path, text, 0o444); err != nil {
		t.Fatal(err)
	}
	if err := os.WriteFile(self, program, 0o755); err != nil {
		t.Fatal(err)
	}
	if err := os.Chmod(dir, 0o555); err != nil {
		t.Fatal(err)
	}
	cmd := exec.Command(self, "-test.run", "^TestVerifyWhereNobodyMayWrite$")
	cmd.Dir = dir
	cmd.Env = []string{"STORE_READ_ONLY=" + path, "PATH=" + os.Getenv("PATH")}
	if os.Geteuid() == 0 {
		cmd.SysProcAttr = &syscall.SysProcAttr{Credential: &syscall.Credential{Uid: 65534, Gid: 65534}}
	}
	if out, err := cmd.CombinedOutput(); err != nil || !strings.Contains(string(out), "PASS") {
		t.Errorf("%v\n%s", err, out)
	}
}
