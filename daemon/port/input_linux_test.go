package port

import (
	"encoding/binary"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"golang.org/x/sys/unix"
)

// A pipe carries the records of an input device; a real one, and having it for
// ourselves alone, can't be tried without such a device.
func TestInput_ReadsRecordsFromAPipe(t *testing.T) {
	path := filepath.Join(t.TempDir(), "events")
	if err := unix.Mkfifo(path, 0o600); err != nil {
		t.Fatal(err)
	}
	w, err := os.OpenFile(path, os.O_RDWR, 0)
	if err != nil {
		t.Fatal(err)
	}
	defer w.Close()
	r := run(t, Config{Device: schemeInput + path})
	r.until("the pipe to be open", func() bool { return r.number(Up) == 1 })
	record := make([]byte, 24)
	binary.LittleEndian.PutUint16(record[16:], 1)  // a key
	binary.LittleEndian.PutUint16(record[18:], 28) // Enter
	binary.LittleEndian.PutUint32(record[20:], 1)  // down
	if _, err := w.Write(record); err != nil {
		t.Fatal(err)
	}
	r.until("the record", func() bool { return r.bytes() == string(record) })
	if err := r.Write(t.Context(), []byte("x")); err == nil {
		t.Error("something was sent to an input device")
	}
	if !strings.Contains(r.log.String(), "other programs") {
		t.Errorf("that it is not grabbed is not told:\n%s", r.log)
	}
	if err := r.stop(); err != nil {
		t.Error(err)
	}
}
