package sheet

import (
	"bytes"
	"encoding/json"
	"os/exec"
	"reflect"
	"strings"
	"testing"

	"fairbore/daemon/daemontest"
)

// reader has another program read a workbook: each cell's value with its type, row by row.
const reader = `
import io, json, sys, datetime
try:
    import openpyxl
except ImportError:
    sys.exit(77)
b = openpyxl.load_workbook(io.BytesIO(sys.stdin.buffer.read()))
def cell(c):
    v = c.value
    if isinstance(v, (datetime.datetime, datetime.date)):
        return ["time", v.isoformat(timespec="milliseconds")]
    return [type(v).__name__, v]
print(json.dumps([[s.title] + [[cell(c) for c in row] for row in s.rows] for s in b.worksheets]))
`

// readBack returns what openpyxl finds: of each worksheet its title, then its rows of type and value.
func readBack(t *testing.T, file []byte) (sheets [][]any) {
	t.Helper()
	daemontest.Needs(t, "/usr/bin/python3")
	cmd := exec.Command("/usr/bin/python3", "-c", reader)
	cmd.Stdin = bytes.NewReader(file)
	var complaints bytes.Buffer
	cmd.Stderr = &complaints
	out, err := cmd.Output()
	if cmd.ProcessState.ExitCode() == 77 {
		daemontest.Missing(t, "python3-openpyxl")
	}
	if err != nil || complaints.Len() > 0 {
		t.Fatalf("openpyxl: %v: %s", err, &complaints)
	}
	if err := json.Unmarshal(out, &sheets); err != nil {
		t.Fatal(err)
	}
	return sheets
}

// Another program reads numbers as numbers, times as times, and all other text as it was, whatever it
// looks like.
func TestAnotherProgramReadsIt(t *testing.T) {
	var file bytes.Buffer
	w, err := New(&file, "readings", []string{"at", "part", "size_mm", "due", "note"})
	if err != nil {
		t.Fatal(err)
	}
	for _, row := range [][]string{
		{"2026-11-25T08:00:00.125+01:00", "001", "15.87508", "2027-01-25", "=1+1"},
		{"2026-11-25T23:59:59.999Z", "1e5", "-0.0001", "", "+49 30"},
		{"", "-5", "", "soon", "@a <b> & \"c\" "},
		{"", "00123456789012345678", "n/a", "", "µm Ø 溝"},
	} {
		if err := w.Row(row); err != nil {
			t.Fatal(err)
		}
	}
	if err := w.Close(); err != nil {
		t.Fatal(err)
	}
	s := func(v string) any { return []any{"str", v} }
	at := func(v string) any { return []any{"time", v} }
	empty := []any{"NoneType", nil}
	want := []any{
		"readings",
		[]any{s("at"), s("at_iso"), s("part"), s("size_mm"), s("due"), s("note")},
		[]any{at("2026-11-25T08:00:00.125"), s("2026-11-25T08:00:00.125+01:00"), s("001"), []any{"float", 15.87508}, at("2027-01-25T00:00:00.000"), s("=1+1")},
		[]any{at("2026-11-25T23:59:59.999"), s("2026-11-25T23:59:59.999Z"), s("1e5"), []any{"float", -0.0001}, empty, s("+49 30")},
		[]any{empty, empty, s("-5"), empty, s("soon"), s("@a <b> & \"c\" ")},
		[]any{empty, empty, s("00123456789012345678"), s("n/a"), empty, s("µm Ø 溝")},
	}
	got := readBack(t, file.Bytes())
	if len(got) != 1 || !reflect.DeepEqual(got[0], want) {
		t.Errorf("read back:\n%v\nwant:\n%v", got, want)
	}
}

// A row that does not fit the columns is refused.
func TestRowFitsTheColumns(t *testing.T) {
	w, err := New(&bytes.Buffer{}, "x", []string{"a", "b"})
	if err != nil {
		t.Fatal(err)
	}
	if err := w.Row([]string{"a"}); err == nil || !strings.Contains(err.Error(), "1 cells for 2 columns") {
		t.Errorf("%v", err)
	}
}
