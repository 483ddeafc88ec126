package document

// piece is what a page's end never parts: a line of text, a row of a table, a drawing.
type piece struct {
	h     float64 // mm
	keep  bool    // stays on one page with the piece after it
	head  *piece  // stands above it where it is the first on a page: title and head of its table
	blank bool    // nothing is drawn, so that it is left out at the top of a page
	draw  func(y float64)
}

// space is room between two pieces.
func space(h float64) piece { return piece{h: h, blank: true, draw: func(float64) {}} }

func height(all []piece) (h float64) {
	for i := range all {
		h += all[i].h
	}
	return h
}

// wholePart is the part of a page up to which a table or a group of fields stays on one page.
const wholePart = 0.45

// signedRoom is how much of the document, in mm, stands above a signature on its page at least.
const signedRoom = 15

// full returns the height of a page between its head and its foot.
func (s *sheet) full() float64 { return s.bottom - headRoom }

// whole keeps pieces on one page, unless they take too much of it.
func (s *sheet) whole(all []piece) []piece {
	if height(all) <= wholePart*s.full() {
		for i := range len(all) - 1 {
			all[i].keep = true
		}
	}
	return all
}

// flow lays out the blocks, and draws them page by page. It begins a page only between two pieces
// of which the first need not stay with the second.
func (s *sheet) flow(blocks []Block) {
	var all []piece
	for _, b := range blocks {
		if _, sign := b.(Signature); sign {
			i := len(all) - 1
			for ; i >= 0 && height(all[i:]) < signedRoom; i-- {
				all[i].keep = true
			}
			if i >= 0 {
				all[i].keep = true
			}
		}
		all = append(all, b.pdf(s)...)
	}
	for len(all) > 0 {
		n := 1
		for n < len(all) && all[n-1].keep {
			n++
		}
		if s.GetY()+height(all[:n]) > s.bottom {
			s.newPage(&all[0])
		}
		for i := range all[:n] {
			s.place(&all[i])
		}
		all = all[n:]
	}
}

// newPage begins a page for a piece, unless it is still empty.
func (s *sheet) newPage(first *piece) {
	if s.top {
		return
	}
	s.AddPage()
	s.top = true
	if first.head != nil {
		s.place(first.head)
	}
}

// place draws a piece, on the next page if this one is full: the pieces that are to stay together
// may take more than a page.
func (s *sheet) place(p *piece) {
	if s.GetY()+p.h > s.bottom {
		s.newPage(p)
	}
	if p.blank && s.top {
		return
	}
	s.top = false
	y := s.GetY() // drawing changes the position
	p.draw(y)
	s.SetY(y + p.h)
}
