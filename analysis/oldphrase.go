package analysis

import "strconv"

// Count writes a number of things: "1 part", "2 parts".
func Count(n int, one, many string) string {
	if n == 1 {
		return "1 " + one
	}
	return strconv.Itoa(n) + " " + many
}
