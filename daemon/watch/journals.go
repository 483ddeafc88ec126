package watch

// seqWindow is how far back the numbers of a journal are remembered one by one:
// well above what a publisher sends again after a loss, its window of at most 1000.
const seqWindow = 1024

// numbers remembers which numbers of one journal have come.
type numbers struct {
	first, last uint64
	seen        [seqWindow / 64]uint64 // by number modulo seqWindow, of the last seqWindow numbers
	used        uint64                 // when, in records
}

func (n *numbers) bit(seq uint64) (word *uint64, mask uint64) {
	at := seq % seqWindow
	return &n.seen[at/64], 1 << (at % 64)
}

// note takes the next number in. Fresh says that it has not come before, skipped
// how many were stepped over, late that it was stepped over earlier.
func (n *numbers) note(seq uint64) (fresh bool, skipped uint64, late bool) {
	switch {
	case n.last == 0:
		n.first, n.last = seq, seq
	case seq > n.last:
		skipped = seq - n.last - 1
		if skipped >= seqWindow {
			n.seen = [seqWindow / 64]uint64{}
		} else {
			for s := n.last + 1; s < seq; s++ {
				word, mask := n.bit(s)
				*word &^= mask
			}
		}
		n.last = seq
	case n.last-seq >= seqWindow:
		return false, 0, false
	default:
		word, mask := n.bit(seq)
		if *word&mask != 0 {
			return false, 0, false
		}
		late = seq > n.first
	}
	word, mask := n.bit(seq)
	*word |= mask
	return true, skipped, late
}

// journals are those that records have come from, of each site. Of more than the
// stations that are followed, the one longest without a record is forgotten.
type journals struct {
	of    map[journal]*numbers
	count uint64 // records
}

type journal struct{ site, id string }

func (j *journals) numbers(of journal) *numbers {
	j.count++
	n := j.of[of]
	if n == nil {
		if len(j.of) >= maxStations {
			j.forget()
		}
		n = &numbers{}
		j.of[of] = n
	}
	n.used = j.count
	return n
}

func (j *journals) forget() {
	var oldest journal
	least := j.count
	for key, n := range j.of {
		if n.used < least {
			oldest, least = key, n.used
		}
	}
	delete(j.of, oldest)
}
