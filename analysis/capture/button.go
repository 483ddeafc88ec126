package capture

// button takes each frame of a gauge that sends when asked to: one press, one
// reading. Contacts bounce and cables repeat, so the same value again at once
// is the same press.
type button struct {
	gate
	prev  Sample
	taken bool // prev was a reading, not a refusal
}

func (b *button) Feed(s Sample) []Result {
	b.n = 0
	wait := s.At - b.prev.At // negative too where time runs backwards or overflows
	same := b.some && s.Value == b.prev.Value && wait >= 0 && wait <= b.o.Bounce
	b.prev, b.some = s, true
	switch {
	case same:
	case !b.within(s.Value):
		b.taken = false
		b.say(Result{Kind: Refused, At: s.At, Reason: Outside})
	default:
		b.taken = true
		b.say(Result{Kind: Taken, At: s.At, Since: s.At, Until: s.At, Value: s.Value, U: deviation(b.o.noise()), Quality: 1})
	}
	return b.res[:b.n]
}

func (b *button) Reset() { b.gate.reset(); b.prev, b.taken = Sample{}, false }

func (b *button) Progress() Progress { return Progress{In: b.taken, Done: b.taken} }
