package drivers

import (
	"bytes"
	"errors"
	"fmt"
	"reflect"
	"slices"
	"strings"
	"testing"
	"time"

	"pgregory.net/rapid"
)

const sampleRecording = `# fairbore recording 1
driver: line
option separator: "\t"
interface: serial
settings: 9600 8N1
made: by the project, no device
display: 12.7003
date: 2026-11-25
visit gauge: G-11
visit nominal: 31.75 mm
outcome: first
outcome: second, last

! 0.000000 "opened"
> 0.400000 "?\r"
< 0.412345 "+12.7003 \"\r\n"
< 0.812345678 2026-11-25T09:17:31.812345+01:00 "\x00\xff\\"
`

// Text that was parsed and printed again is the same text.
func TestRecording_PrintsWhatItRead(t *testing.T) {
	r, err := ParseRecording([]byte(sampleRecording))
	if err != nil {
		t.Fatal(err)
	}
	got := AppendHeader(nil, r)
	for _, c := range r.Entries {
		got = AppendEntry(got, c)
	}
	if string(got) != sampleRecording {
		t.Errorf("got\n%s\nwant\n%s", got, sampleRecording)
	}
	last := r.Entries[3]
	if !bytes.Equal(last.Data, []byte{0, 0xff, '\\'}) || last.At != 812345678 || last.Wall.UTC().Hour() != 8 {
		t.Errorf("last entry %+v", last)
	}
	if r.Options["separator"] != "\t" || !r.Entries[1].Out || r.Entries[0].Mark != MarkOpened {
		t.Errorf("recording %+v", r)
	}
}

func TestEntry_RoundTrip(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		c := Entry{
			At:   time.Duration(rapid.Int64Range(0, int64(100*24*time.Hour)).Draw(t, "at")),
			Out:  rapid.Bool().Draw(t, "out"),
			Data: rapid.SliceOfN(rapid.Byte(), 0, 40).Draw(t, "data"),
		}
		if rapid.Bool().Draw(t, "walled") {
			c.Wall = time.Unix(rapid.Int64Range(0, 4e9).Draw(t, "s"), rapid.Int64Range(0, 999999999).Draw(t, "ns")).UTC()
		}
		line := AppendEntry(nil, c)
		if bytes.Count(line, []byte("\n")) != 1 {
			t.Fatalf("%q is not one line", line)
		}
		got, err := ParseEntry(strings.TrimSuffix(string(line), "\n"))
		if err != nil || !reflect.DeepEqual(got, c) {
			t.Fatalf("%s gave %+v, %v; want %+v", line, got, err, c)
		}
	})
}

func TestParseRecording_Torn(t *testing.T) {
	for cut := len(sampleRecording) - 2; sampleRecording[cut-1] != '\n'; cut-- {
		r, err := ParseRecording([]byte(sampleRecording[:cut]))
		if !errors.Is(err, ErrTorn) || len(r.Entries) != 3 {
			t.Errorf("cut at %d: %v", cut, err)
		}
	}
}

// A disk that loses power may keep any sectors of what was not synced, and leave
// zeros, rubbish or nothing in place of the others. Wherever that is before the
// last sum, the reader tells it, and gives only entries that were written.
func TestParseRecording_TellsEveryHole(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		text := AppendHeader(nil, &Recording{Driver: "line"})
		head := len(text)
		var sum Sum
		var want []Entry
		for i := range rapid.IntRange(20, 80).Draw(t, "entries") {
			e := Entry{At: time.Duration(i) * 20 * time.Millisecond, Data: fmt.Appendf(nil, "+12.7%03d mm\r\n", i)}
			line := AppendEntry(nil, e)
			text, sum, want = append(text, line...), sum.Add(line), append(want, e)
			if i%10 == 9 {
				text = AppendCheck(text, sum)
			}
		}
		text = AppendCheck(text, sum)
		if r, err := ParseRecording(text); err != nil || !reflect.DeepEqual(r.Entries, want) {
			t.Fatalf("whole: %v", err)
		}
		size := rapid.SampledFrom([]int{1, 64, 512, 4096}).Draw(t, "sector")
		end := len(text) - len("# whole so far: 00000000\n")
		from := rapid.IntRange(head, end-1).Draw(t, "from") / size * size
		from, to := max(from, head), min(from+size, end)
		bad := bytes.Clone(text)
		switch rapid.IntRange(0, 2).Draw(t, "damage") {
		case 0:
			clear(bad[from:to])
		case 1:
			for i := from; i < to; i++ {
				bad[i] = rapid.Byte().Draw(t, "rubbish")
			}
		case 2:
			bad = slices.Delete(bad, from, to)
		}
		r, err := ParseRecording(bad)
		if r == nil { // what is before the entries can't be read
			return
		}
		if n := len(r.Entries); n > len(want) || !reflect.DeepEqual(r.Entries, want[:n]) && n > 0 {
			t.Fatalf("gave what was not written: %+v", r.Entries)
		} else if n < len(want) && err == nil {
			t.Fatalf("%d of %d entries, and no error:\n%s", n, len(want), bad)
		}
	})
}

func TestParseRecording_Faults(t *testing.T) {
	const title = "# fairbore recording 1\n"
	for name, tc := range map[string]struct{ text, want string }{
		"no title":       {"driver: line\n", "line 1: give"},
		"unknown header": {title + "colour: red\n", "line 2: \"colour: red\""},
		"no quotes":      {title + "< 0.1 abc\n", "line 2: give <"},
		"open quotes":    {title + "< 0.1 \"abc\n", "quotes"},
		"negative time":  {title + "< -0.1 \"abc\"\n", "seconds"},
		"bad escape":     {title + "< 0.1 \"\\q\"\n", `\q`},
		"short hex":      {title + "< 0.1 \"\\x1\"\n", "two hex digits"},
		"signed hex":     {title + "< 0.1 \"\\x+1\"\n", "two hex digits"},
		"bad wall":       {title + "< 0.1 09:17 \"a\"\n", "RFC 3339"},
		"empty mark":     {title + "! 0.1 \"\"\n", "mark"},
	} {
		_, err := ParseRecording([]byte(tc.text))
		if err == nil || !strings.Contains(err.Error(), tc.want) {
			t.Errorf("%s: got %v, want %q in it", name, err, tc.want)
		}
	}
}

// What was read is written and read again as it was, with a sum or without; cut off
// anywhere it gives a beginning of that; and what is kept is in proportion to the text.
func FuzzParseRecording(f *testing.F) {
	f.Add([]byte(sampleRecording), uint16(200))
	f.Add([]byte("# fairbore recording 1\n\n< 0.1 \"a\"\n# whole so far: d57a8a2f\n> 0.2 2026-11-25T09:17:31Z \"\\xff\"\n"), uint16(60))
	f.Fuzz(func(t *testing.T, text []byte, cut uint16) {
		r, err := ParseRecording(text)
		if r == nil {
			return
		}
		held := 0
		for _, c := range r.Entries {
			held += len(c.Data) + len(c.Mark)
		}
		if held > len(text) {
			t.Fatalf("%d bytes of entries from a text of %d", held, len(text))
		}
		if err != nil && !errors.Is(err, ErrTorn) && !errors.Is(err, ErrHole) {
			t.Fatalf("a recording and %v", err)
		}
		printed := AppendHeader(nil, r)
		var sum Sum
		for _, c := range r.Entries {
			line := AppendEntry(nil, c)
			printed, sum = append(printed, line...), sum.Add(line)
		}
		for _, printed := range [][]byte{printed, AppendCheck(slices.Clone(printed), sum)} {
			again, err := ParseRecording(printed)
			if err != nil || !sameEntries(again.Entries, r.Entries) {
				t.Fatalf("printed again: %v\n%s", err, printed)
			}
			part, err := ParseRecording(printed[:int(cut)%(len(printed)+1)])
			if part != nil && !sameEntries(part.Entries, r.Entries[:min(len(part.Entries), len(r.Entries))]) {
				t.Fatalf("cut at %d: %v: %+v", cut, err, part.Entries)
			}
		}
	})
}

func sameEntries(a, b []Entry) bool {
	return slices.EqualFunc(a, b, func(x, y Entry) bool {
		return x.At == y.At && x.Wall.Equal(y.Wall) && x.Out == y.Out && x.Mark == y.Mark && bytes.Equal(x.Data, y.Data)
	})
}
