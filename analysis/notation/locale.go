package notation

// locale says how a language writes numbers and dates.
type locale struct {
	comma        bool   // the decimal sign is a comma
	day, between string // the layout of a date, and what stands between it and a time of day
}

// localeOf returns the locale of a language: in English the date of ISO 8601, which no reader takes
// for another one; in other languages those of Unicode's CLDR 46, with two digits for day and month
// (a test asks the browser's own copy).
func localeOf(tag string) locale {
	switch tag {
	case "de":
		return locale{true, "02.01.2006", ", "}
	case "es":
		return locale{true, "02/01/2006", ", "}
	}
	return locale{false, "2006-01-02", " "}
}
