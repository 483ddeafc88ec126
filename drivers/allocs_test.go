package drivers

import "testing"

// A good frame costs no allocation, from the request to the sample. (Driver
// pattern says why it is not here.)
func TestStream_NoAllocation(t *testing.T) {
	k := &keyboard{at: 1}
	for _, tc := range []struct {
		driver  string
		options Options
		frame   string
	}{
		{"line", Options{"fields": "depth,size", "separator": "semicolon", "unit": "mm"}, "13.0;+0025.00007 mm\r\n"},
		{"line", Options{"channels": "A,B"}, "B: +0025.00007 mm\r\n"},
		{"fixed", Options{"layout": "csddd.dddd_uut*hh", "channels": "A,B", "status": "_=ok", "check": "xor"}, "B+012.7003 mm  50\r\n"},
		{"bcd13", nil, fromHex(t, "0F0F0F0F 08 000000000404 04 00")},
		{"ask", nil, "+0025.00007 mm\r\n"},
		{"scpi", nil, "+1.27003000E+01\n"},
		{"modbus-rtu", nil, rtuReply("\x00\x01\xF0\x1B")},
		{"typed", nil, k.write("12.7003 mm\n")},
	} {
		d := decoder(t, tc.driver, tc.options)
		s := Stream{Decoder: d}
		var ask []byte
		data, n := []byte(tc.frame), 0
		each := func(f Found) { n += len(f.Samples) }
		s.Feed(nil, true, each)
		run := func() {
			if r, ok := d.(Requester); ok {
				for ask = r.Request(ask[:0]); len(ask) == 0; ask = r.Request(ask[:0]) {
				}
			}
			s.Feed(data, true, each)
		}
		run()
		if n == 0 {
			t.Errorf("%s: no sample of %q: %v", tc.driver, tc.frame, s.Rejects)
		}
		if allocs := testing.AllocsPerRun(100, run); allocs != 0 {
			t.Errorf("%s: %v allocations", tc.driver, allocs)
		}
	}
}
