package store

import (
	"bytes"
	"compress/flate"
	"errors"
	"io"
	"strings"
	"testing"

	"pgregory.net/rapid"
)

// samples are bodies of readings as a rocked gauge and a data button give them.
func samples() [][]byte {
	return [][]byte{
		[]byte(`{"station":"grinder-7","at":"2031-04-11T14:25:17.303177841Z","kind":"reading","source":"gauge","reading":{"no":23,"job":"J-5208","part":"117","depth_mm":44.5,"angle_deg":120,"round":3,"size_mm":19.0538265,"capture_u_um":0.0712,"at":"2031-04-11T14:25:17.303177841Z","deviation_um":-11.1735,"gauge":"G-31","how":"turning","turns":4,"motion":102.883,"motion_spread":26611.2,"motion_slope":-144.402,"sent":{"digits":190539,"places":4,"unit":"mm","frame":"+19.0539 mm"},"raw_mm":19.0540397,"zero_um":-0.2132,"thermal_um":-0.3446,"part_temperature_from":"sensor","mastered":12}}`),
		[]byte(`{"station":"bay2","at":"2026-11-02T06:47:00Z","kind":"reading","source":"gauge","reading":{"no":48,"job":"J-4112","part":"00001","depth_mm":58,"angle_deg":90,"round":0,"size_mm":31.65047,"at":"2026-11-02T06:47:00Z","deviation_um":-100.78,"gauge":"G-11","how":"button","sent":{"digits":3165047,"places":5,"unit":"mm","frame":"+0031.65047 mm"},"raw_mm":31.65047,"zero_um":0,"mastered":1}}`),
	}
}

// What is packed is DEFLATE: the decoder of the standard library reads it, and nothing but the body.
func TestPackedIsRead(t *testing.T) {
	packers := []*packer{newPacker(newDictionary), newPacker(nil), newPacker([]byte(`{"station":`)), newPacker(bytes.Repeat([]byte("0123456789"), 4000))}
	pieces := rapid.SampledFrom([]string{`{"station":"hone bay 2",`, `"at":"2026-11-30T03:21:34.26`, "µm", "\x00\xff", "aaaaaaaaaaaa", string(newDictionary[100:900]), strings.Repeat("x", 300)})
	rapid.Check(t, func(rt *rapid.T) {
		p := rapid.SampledFrom(packers).Draw(rt, "packer")
		var body []byte
		for range rapid.IntRange(0, 8).Draw(rt, "pieces") {
			body = append(append(body, pieces.Draw(rt, "piece")...), rapid.SliceOfN(rapid.Byte(), 0, 5).Draw(rt, "bytes")...)
		}
		if rapid.IntRange(0, 20).Draw(rt, "long") == 0 {
			body = bytes.Repeat(append(body, "so it goes on"...), 9000)
		}
		packed := p.pack([]byte("before"), body)[len("before"):]
		in := bytes.NewReader(packed)
		got, err := io.ReadAll(flate.NewReaderDict(in, p.text[:p.dictionary]))
		if err != nil || !bytes.Equal(got, body) || in.Len() > 0 {
			rt.Fatalf("%d bytes of %d, %v", len(got), len(body), err)
		}
		u := &unpacker{dictionary: p.text[:p.dictionary]}
		for range 2 {
			if got, err := u.unpack(packed); err != nil || !bytes.Equal(got, body) {
				rt.Fatalf("unpacked %d bytes of %d, %v", len(got), len(body), err)
			}
		}
	})
}

// A body that was cut short, lengthened or spoilt is told from one that is whole.
func TestUnpackRefuses(t *testing.T) {
	p, u := newPacker(newDictionary), &unpacker{dictionary: newDictionary}
	packed := p.pack(nil, samples()[0])
	for n := range packed {
		if _, err := u.unpack(packed[:n]); !errors.Is(err, errPacked) {
			t.Errorf("%d bytes of %d: %v", n, len(packed), err)
		}
	}
	if _, err := u.unpack(append(bytes.Clone(packed), 0)); !errors.Is(err, errPacked) {
		t.Error(err)
	}
	bomb := newPacker(nil).pack(nil, make([]byte, bodyMost+1))
	if _, err := (&unpacker{}).unpack(bomb); !errors.Is(err, errPacked) {
		t.Error(err)
	}
	if body, err := u.unpack(packed); err != nil || !bytes.Equal(body, samples()[0]) {
		t.Error("the unpacker does not recover:", err)
	}
}

// A reading of a station, job and gauge that the dictionary does not know is packed to less than
// two fifths.
func TestDictionaryFits(t *testing.T) {
	p := newPacker(newDictionary)
	for _, body := range samples() {
		if packed := p.pack(nil, body); 5*len(packed) > 2*len(body) {
			t.Errorf("%d bytes of %d: add what is new in readings to dictionary.txt", len(packed), len(body))
		}
	}
}

func FuzzUnpack(f *testing.F) {
	p := newPacker(newDictionary)
	for _, body := range samples() {
		f.Add(p.pack(nil, body))
	}
	u := &unpacker{dictionary: newDictionary}
	f.Fuzz(func(t *testing.T, packed []byte) {
		body, err := u.unpack(packed)
		if err != nil {
			return
		}
		if again, err := u.unpack(p.pack(nil, bytes.Clone(body))); err != nil || !bytes.Equal(again, body) {
			t.Errorf("%q, %v", again, err)
		}
	})
}

func BenchmarkPack(b *testing.B) {
	p, u := newPacker(newDictionary), &unpacker{dictionary: newDictionary}
	for i, body := range samples() {
		packed := p.pack(nil, body)
		name := []string{"rocked", "button"}[i]
		b.Run("pack="+name, func(b *testing.B) {
			var to []byte
			for b.Loop() {
				to = p.pack(to[:0], body)
			}
			b.ReportMetric(float64(len(body)), "from-B")
			b.ReportMetric(float64(len(to)), "to-B")
		})
		b.Run("unpack="+name, func(b *testing.B) {
			for b.Loop() {
				if _, err := u.unpack(packed); err != nil {
					b.Fatal(err)
				}
			}
		})
	}
}
