package watch

// seqWindow is how many of the latest numbers of a journal are remembered one by one. It is more
// than a publisher sends again after a loss: its window, which is at most 1000.
const seqWindow = 1024

// numbers remembers which record numbers of one journal have come.
type numbers struct {
	first, last uint64
	// seen has one bit for each of the last seqWindow numbers, by number modulo seqWindow.
	seen [seqWindow / 64]uint64
	used uint64 // journals.count at the latest record of this journal
}

func (n *numbers) bit(seq uint64) (word *uint64, mask uint64) {
	at := seq % seqWindow
	return &n.seen[at/64], 1 << (at % 64)
}

// note notes the number of a record that has come. fresh says that the number has not come before.
// skipped is how many numbers it stepped over. late says that the number was stepped over earlier.
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

// journals remembers the numbers of each journal from which records have come. There are at most
// maxStations journals. For a further one, the journal longest without a record is forgotten.
type journals struct {
	of    map[journal]*numbers
	count uint64 // records of all journals
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
