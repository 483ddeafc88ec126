package drivers

// MaxFrame is the longest frame, in bytes. A decoder that finds no frame in twice as many bytes has
// lost its place. The older half of these bytes is then dropped as noise.
const MaxFrame = 1024

// Stream feeds the bytes of one gauge to its decoder, and counts the outcomes. The zero value is
// ready for use once Decoder is set.
type Stream struct {
	Decoder Decoder
	Frames  uint64            // frames that gave samples
	Rejects map[Reason]uint64 // frames that gave no sample, and runs of noise, by reason
	buf     []byte
	out     []Sample
	noise   bool
}

// Found is one outcome of a stream: samples, or a reject with its reason. It is passed to a
// function. Its slices are valid until that function returns.
type Found struct {
	Samples []Sample
	Reject  Reason
	Frame   []byte
}

// Feed takes the bytes that came, calls each with every outcome, and keeps an unfinished frame for
// the next call. idle says that the line fell silent after these bytes.
func (s *Stream) Feed(p []byte, idle bool, each func(Found)) {
	for {
		n := min(len(p), 2*MaxFrame-len(s.buf))
		s.buf = append(s.buf, p[:n]...)
		p = p[n:]
		s.cut(idle && len(p) == 0, each)
		if len(p) == 0 {
			return
		}
		if len(s.buf) >= 2*MaxFrame {
			s.reject(TooLong, s.buf[:MaxFrame], each)
			s.drop(MaxFrame)
		}
	}
}

// Reset forgets the place in the stream, as after a lost line. It rejects an unfinished frame, if
// there is one.
func (s *Stream) Reset(each func(Found)) {
	if len(s.buf) > 0 {
		s.reject(TooShort, s.buf, each)
	}
	s.buf, s.noise = s.buf[:0], false
	if r, ok := s.Decoder.(Resetter); ok {
		r.Reset()
	}
}

// reject counts a frame, or a run of noise, and passes it to each.
func (s *Stream) reject(r Reason, frame []byte, each func(Found)) {
	if s.Rejects == nil {
		s.Rejects = map[Reason]uint64{}
	}
	s.Rejects[r]++
	each(Found{Reject: r, Frame: frame})
}

func (s *Stream) drop(n int) { s.buf = s.buf[:copy(s.buf, s.buf[n:])] }

// cut removes all frames from the buffer.
func (s *Stream) cut(idle bool, each func(Found)) {
	used := 0
	for used == 0 || used < len(s.buf) { // call Split once for an empty buffer, but not for an empty rest
		rest := s.buf[used:]
		advance, frame := s.Decoder.Split(rest, idle)
		if advance <= 0 && frame == nil {
			break
		}
		advance = max(0, min(advance, len(rest)))
		switch {
		case frame == nil:
			if !s.noise { // a run of noise counts as one reject
				s.reject(Noise, rest[:advance], each)
			}
			s.noise = true
		case len(frame) > 0:
			s.noise = false
			s.decode(frame, each)
		}
		used += advance
		if advance == 0 {
			break
		}
	}
	s.drop(used)
}

func (s *Stream) decode(frame []byte, each func(Found)) {
	out, err := s.Decoder.Decode(frame, s.out[:0])
	s.out = out[:0]
	if err != nil {
		r, ok := err.(Reason)
		if !ok {
			r = Noise
		}
		s.reject(r, frame, each)
		return
	}
	if len(out) > 0 {
		s.Frames++
		each(Found{Samples: out, Frame: frame})
	}
}
