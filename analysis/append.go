package analysis

import "strconv"

// The AppendJSON methods append to b what MarshalJSON writes. They are for programs that
// write many readings a second and should not allocate memory for each number.

// AppendJSON appends l as a JSON number of mm, exactly.
func (l Length) AppendJSON(b []byte) []byte { return appendDecimal(b, int64(l), 10_000_000, 7) }

// AppendJSON appends d as a JSON number of µm, exactly.
func (d Deviation) AppendJSON(b []byte) []byte { return appendDecimal(b, int64(d), 10_000, 4) }

// AppendJSON appends a as a JSON number of degrees.
func (a Angle) AppendJSON(b []byte) []byte { return appendDecimal(b, int64(a), 1000, 3) }

// appendDecimal appends v/one without trailing zeros. one is 10^places.
func appendDecimal(b []byte, v int64, one uint64, places int) []byte {
	n := uint64(v)
	if v < 0 {
		b, n = append(b, '-'), -n
	}
	b = strconv.AppendUint(b, n/one, 10)
	rest := n % one
	if rest == 0 {
		return b
	}
	for rest%10 == 0 {
		rest /= 10
		places--
	}
	b = append(b, '.')
	at := len(b)
	for range places {
		b = append(b, '0')
	}
	for i := at + places - 1; rest > 0; i-- {
		b[i] = byte('0' + rest%10)
		rest /= 10
	}
	return b
}
