package drivers

import (
	"encoding/binary"
	"strings"
	"testing"
	"time"

	"pgregory.net/rapid"
)

// keyboard types on an input device: each key goes down and up, 5 ms apart.
type keyboard struct {
	at     time.Duration
	record int
	out    []byte
}

func (k *keyboard) event(kind, code uint16, value uint32) {
	us := uint64(k.at.Microseconds())
	if k.record == 16 {
		k.out = binary.LittleEndian.AppendUint32(k.out, uint32(us/1e6))
		k.out = binary.LittleEndian.AppendUint32(k.out, uint32(us%1e6))
	} else {
		k.out = binary.LittleEndian.AppendUint64(k.out, us/1e6)
		k.out = binary.LittleEndian.AppendUint64(k.out, us%1e6)
	}
	k.out = binary.LittleEndian.AppendUint16(k.out, kind)
	k.out = binary.LittleEndian.AppendUint16(k.out, code)
	k.out = binary.LittleEndian.AppendUint32(k.out, value)
}

func (k *keyboard) key(code uint16) {
	for _, v := range []uint32{1, 0} {
		k.event(evKey, code, v)
		k.event(evSyn, 0, 0)
		k.at += 5 * time.Millisecond
	}
}

// keysUS is the layout once more, as the rows of a keyboard, with the code of
// each row's first key (linux/input-event-codes.h).
var keysUS = []struct {
	first        uint16
	plain, shift string
}{
	{2, "1234567890-=", "!@#$%^&*()_+"},
	{15, "\tqwertyuiop[]", "\tQWERTYUIOP{}"},
	{30, "asdfghjkl;'`", "ASDFGHJKL:\"~"},
	{43, "\\zxcvbnm,./", "|ZXCVBNM<>?"},
	{57, " ", ""},
}

// write types text; \n is Enter, a digit of 200 ms of rest is written as ~.
func (k *keyboard) write(text string) string {
	k.out = nil
	for _, c := range text {
		if c == '\n' {
			k.key(keyEnter)
			continue
		}
		for _, row := range keysUS {
			if i := strings.IndexRune(row.plain, c); i >= 0 {
				k.key(row.first + uint16(i))
				break
			}
			if i := strings.IndexRune(row.shift, c); i >= 0 {
				k.event(evKey, keyRightShift, 1)
				k.key(row.first + uint16(i))
				k.event(evKey, keyRightShift, 0)
				break
			}
		}
	}
	return string(k.out)
}

func TestTyped(t *testing.T) {
	type pieces []string
	for _, tc := range []struct {
		name    string
		options Options
		play    func(k *keyboard) pieces
		want    string
	}{
		{"digits", nil, func(k *keyboard) pieces { return pieces{"", k.write("12.7003\n")} }, "12.7003"},
		{"two values", nil, func(k *keyboard) pieces { return pieces{"", k.write("12.7003\n-0.0044 mm\n")} }, "12.7003 | -0.0044 mm"},
		{"shift", nil, func(k *keyboard) pieces { return pieces{"", k.write("+12.7003 MM\n")} }, "12.7003 mm"},
		{"16 bytes", Options{"record": "16"}, func(k *keyboard) pieces { k.record = 16; return pieces{"", k.write("12.7003\n")} }, "12.7003"},
		{"Tab", Options{"end": "tab"}, func(k *keyboard) pieces { return pieces{"", k.write("12.7003\t")} }, "12.7003"},
		{"comma and fields", Options{"decimal": "comma", "fields": "a,b", "separator": "semicolon"}, func(k *keyboard) pieces { return pieces{"", k.write("1,5;2,5\n")} }, "a: 1.5, b: 2.5"},
		{"Enter alone", nil, func(k *keyboard) pieces { return pieces{"", k.write("\n\n12.7003\n")} }, "12.7003"},
		{"opened within", nil, func(k *keyboard) pieces { return pieces{k.write("2.7003\n12.7004\n")} }, "reject may be cut | 12.7004"},
		{"a barcode", nil, func(k *keyboard) pieces { return pieces{"", k.write("PART 003\n12.7003\n")} }, "reject no number | 12.7003"},
		{"longer than a line", nil, func(k *keyboard) pieces { return pieces{"", k.write(strings.Repeat("7", 300) + "\n12.7003\n")} }, "reject too long | 12.7003"},
		{"no Enter, by the clock of the events", nil, func(k *keyboard) pieces {
			a := k.write("1")
			k.at += 200 * time.Millisecond
			return pieces{"", a + k.write("2.7003\n12.7004\n")}
		}, "reject too short | reject may be cut | 12.7004"},
		{"no Enter, by silence", nil, func(k *keyboard) pieces {
			a := k.write("1")
			k.at += 200 * time.Millisecond
			return pieces{"", a, "", "", k.write("2.7003\n12.7004\n")}
		}, "reject too short | reject may be cut | 12.7004"},
		{"no Enter, then a rest", nil, func(k *keyboard) pieces {
			a := k.write("1")
			k.at += 2 * time.Second
			return pieces{"", a, "", k.write("2.7003\n")}
		}, "reject too short | 2.7003"},
		{"Enter after a pause", nil, func(k *keyboard) pieces {
			a := k.write("12.7003")
			k.at += 200 * time.Millisecond
			return pieces{"", a + k.write("\n12.7004\n")}
		}, "reject too short | 12.7004"},
		{"the clock of the events goes back", nil, func(k *keyboard) pieces {
			a := k.write("1")
			k.at -= time.Second
			return pieces{"", a + k.write("2.7003\n12.7004\n")}
		}, "reject too short | reject may be cut | 12.7004"},
		{"a key that types nothing", nil, func(k *keyboard) pieces {
			a := k.write("12.7003")
			k.key(14) // backspace
			return pieces{"", a + string(k.out[len(a):]) + k.write("\n12.7004\n")}
		}, "reject not this format | 12.7004"},
		{"a key held", nil, func(k *keyboard) pieces {
			a := k.write("12.7003")
			k.event(evKey, 4, 2)
			return pieces{"", a + string(k.out[len(a):]) + k.write("\n12.7004\n")}
		}, "reject not this format | 12.7004"},
		{"events lost", nil, func(k *keyboard) pieces {
			a := k.write("12")
			k.event(evSyn, synDropped, 0)
			return pieces{"", a + string(k.out[len(a):]) + k.write("7003\n12.7004\n")}
		}, "reject line error | 12.7004"},
		{"a record cut", nil, func(k *keyboard) pieces {
			a := k.write("12.7003\n")
			return pieces{"", a[7:], k.write("12.7004\n")}
		}, "reject not this format | reject may be cut | 12.7004"},
	} {
		t.Run(tc.name, func(t *testing.T) {
			k := &keyboard{at: 1764065851 * time.Second}
			if got := play(decoder(t, "typed", tc.options), tc.play(k)...); got != tc.want {
				t.Errorf("got  %q\nwant %q", got, tc.want)
			}
		})
	}
}

// Every character of the layout is the one that its key types.
func TestTyped_Layout(t *testing.T) {
	for _, row := range keysUS {
		for i := range row.plain {
			if got := typedPlain[int(row.first)+i]; got != row.plain[i] {
				t.Errorf("key %d types %q, want %q", int(row.first)+i, got, row.plain[i])
			}
		}
		for i := range row.shift {
			if got := typedShift[int(row.first)+i]; got != row.shift[i] {
				t.Errorf("key %d with shift types %q, want %q", int(row.first)+i, got, row.shift[i])
			}
		}
	}
	for code, want := range map[int]byte{71: '7', 74: '-', 78: '+', 79: '1', 82: '0', 83: '.', 55: '*'} { // the number pad
		if typedPlain[code] != want || typedShift[code] != want {
			t.Errorf("key %d types %q, want %q", code, typedPlain[code], want)
		}
	}
}

// Every number that a gauge can type comes back exactly.
func TestTyped_RoundTrip(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		want := Sample{Digits: rapid.Int64Range(-1e12, 1e12).Draw(t, "digits"), Places: rapid.IntRange(0, 9).Draw(t, "places"), Unit: MM}
		k := &keyboard{at: time.Hour}
		d, _ := Find("typed")
		dec, err := d.Decoder(nil)
		if err != nil {
			t.Fatal(err)
		}
		if got := play(dec, "", k.write(want.String()+"\n")); got != want.String() {
			t.Fatalf("%s came as %s", want, got)
		}
	})
}

func BenchmarkStreamTyped(b *testing.B) {
	s := Stream{Decoder: decoder(b, "typed", nil)}
	n := 0
	each := func(f Found) { n += len(f.Samples) }
	k := &keyboard{at: time.Hour}
	typing := []byte(k.write("12.7003\n"))
	s.Feed(nil, true, each)
	b.ReportAllocs()
	for b.Loop() {
		s.Feed(typing, false, each)
	}
	if n == 0 {
		b.Fatal("no samples")
	}
}
