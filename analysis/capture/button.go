package capture

// button takes each frame of a gauge that sends only when asked: one press of its button is one
// reading. Contacts bounce and cables repeat, so an equal value soon after another is the same
// press.
type button struct {
	gate
	prev  Sample
	taken bool // prev was taken, not refused
}

func (b *button) Feed(s Sample) []Result {
	b.n = 0
	wait := s.At - b.prev.At // also negative, where time runs backwards or the difference overflows
	same := b.started && s.Value == b.prev.Value && wait >= 0 && wait <= b.o.Bounce
	b.prev, b.started = s, true
	switch {
	case same:
	case !b.within(s.Value):
		b.taken = false
		b.report(Result{Kind: Refused, At: s.At, Reason: Outside})
	default:
		b.taken = true
		b.report(Result{Kind: Taken, At: s.At, Since: s.At, Until: s.At, Value: s.Value, U: deviation(b.o.noise()), Quality: 1})
	}
	return b.res[:b.n]
}

func (b *button) Reset() { b.gate.reset(); b.prev, b.taken = Sample{}, false }

func (b *button) Progress() Progress { return Progress{In: b.taken, Done: b.taken} }
