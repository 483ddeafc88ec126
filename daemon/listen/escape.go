package listen

import (
	"strings"

	"fairbore/drivers"
)

// escape writes text with the escapes of a recording, which are also those of the options that hold
// bytes.
func escape(s string) string {
	line := string(drivers.AppendEntry(nil, drivers.Entry{Data: []byte(s)}))
	quoted := line[strings.IndexByte(line, '"')+1 : len(line)-2]
	return strings.ReplaceAll(quoted, `\"`, `"`)
}

// unescape is the inverse of escape.
func unescape(s string) (string, error) {
	c, err := drivers.ParseEntry(`< 0.0 "` + strings.ReplaceAll(s, `"`, `\"`) + `"`)
	return string(c.Data), err
}

// visible writes bytes so that a person can see each of them, with the names of the control
// characters: +12.7003 mm<CR><LF>.
func visible(b []byte) string {
	names := map[byte]string{2: "STX", 3: "ETX", 4: "EOT", 5: "ENQ", 6: "ACK", 9: "TAB", 10: "LF", 13: "CR", 21: "NAK", 27: "ESC"}
	var s strings.Builder
	for _, c := range b {
		switch name, known := names[c]; {
		case known:
			s.WriteString("<" + name + ">")
		case c >= ' ' && c <= '~':
			s.WriteByte(c)
		default:
			const hex = "0123456789ABCDEF"
			s.WriteString("<" + string([]byte{hex[c>>4], hex[c&15]}) + ">")
		}
	}
	return s.String()
}
