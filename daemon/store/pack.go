package store

import (
	"bytes"
	"compress/flate"
	_ "embed"
	"encoding/binary"
	"errors"
	"fmt"
	"io"
	"math/bits"
	"sync"

	"fairbore/daemon/event"
)

// Events repeat what their kind needs: the names of their members, the station, the job. So a body
// is stored as DEFLATE (RFC 1951) with a preset dictionary: text that may be referred to as if it
// stood before the body. The row journal.dictionary holds the dictionary that all bodies of the
// file were packed with, and the hash of the first row covers it. So the file has all that is
// needed to read it, each body can be read by itself, and any program that has zlib can do so.
//
// The hash of a row is that of the body as encoding/json wrote it, not of its packed form.

// newDictionary is the dictionary of the journals that this program makes. It is events of a made-up
// shop, one of each kind, readings last, since what is near costs fewer bits. A change of it does no
// harm to journals that exist.
//
//go:embed dictionary.txt
var newDictionary []byte

// packer packs bodies. It is DEFLATE with the fixed codes, and one block a body. It costs 2 to 3 µs
// a reading; the writers of libraries, which read the dictionary anew for each body, 11 to 28 µs.
type packer struct {
	text       []byte                 // the dictionary, then the body
	dictionary int                    // length of the dictionary
	last       [tableSize]uint16      // where four bytes were seen last, plus 1; by their slot
	fresh      [tableSize]uint16      // the same of the dictionary alone
	before     [placesMost]uint16     // where they were seen before that; by place
	literals   [256]bitCode           // of a byte
	lengths    [matchMost + 1]bitCode // of the length of a match
}

// bitCode is bits to be written, the lowest first.
type bitCode struct {
	bits uint32
	n    uint8
}

const (
	tableBits  = 12
	tableSize  = 1 << tableBits
	placesMost = 1 << 14 // the rest of a longer body is packed less well
	matchLeast = 4       // DEFLATE has matches of 3 too, which gain next to nothing
	matchGood  = 32      // a match of this length is taken without looking further
	matchMost  = 258
	reach      = 32 << 10 // the largest distance of DEFLATE
)

func newPacker(dictionary []byte) *packer {
	p := &packer{text: bytes.Clone(dictionary), dictionary: len(dictionary)}
	for i := range min(max(len(dictionary)-matchLeast+1, 0), placesMost) {
		p.note(i)
	}
	p.fresh = p.last
	for b := range p.literals {
		p.literals[b] = fixed(b)
	}
	for n := 3; n <= matchMost; n++ {
		p.lengths[n] = lengthCode(n)
	}
	return p
}

func slot(b []byte) uint32 { return binary.LittleEndian.Uint32(b) * 2654435761 >> (32 - tableBits) }

// fixed returns the fixed code of a symbol (RFC 1951, 3.2.6).
func fixed(symbol int) bitCode {
	v, n := 0, 0
	switch {
	case symbol < 144:
		v, n = 0x30+symbol, 8
	case symbol < 256:
		v, n = 0x190+symbol-144, 9
	case symbol < 280:
		v, n = symbol-256, 7
	default:
		v, n = 0xc0+symbol-280, 8
	}
	return bitCode{bits.Reverse32(uint32(v)) >> (32 - n), uint8(n)}
}

// lengthCode returns the code of the length of a match, its extra bits included (RFC 1951, 3.2.5).
func lengthCode(n int) bitCode {
	if n == matchMost {
		return fixed(285)
	}
	symbol, extra, v := 257+n-3, 0, 0
	if n > 10 {
		extra = bits.Len(uint(n-3)) - 3
		symbol, v = 257+4*extra+(n-3)>>extra, (n-3)&(1<<extra-1)
	}
	c := fixed(symbol)
	return bitCode{c.bits | uint32(v)<<c.n, c.n + uint8(extra)}
}

// distanceCode returns the code of a distance, its extra bits included.
func distanceCode(d int) bitCode {
	symbol, extra, v := d-1, 0, 0
	if d > 4 {
		extra = bits.Len(uint(d-1)) - 2
		symbol, v = 2*extra+(d-1)>>extra, (d-1)&(1<<extra-1)
	}
	return bitCode{bits.Reverse32(uint32(symbol))>>27 | uint32(v)<<5, 5 + uint8(extra)}
}

// bitWriter appends bits to bytes.
type bitWriter struct {
	to   []byte
	bits uint64
	n    uint8
}

func (w *bitWriter) put(c bitCode) {
	w.bits |= uint64(c.bits) << w.n
	if w.n += c.n; w.n >= 32 {
		w.to = binary.LittleEndian.AppendUint32(w.to, uint32(w.bits))
		w.bits, w.n = w.bits>>32, w.n-32
	}
}

func (w *bitWriter) end() []byte {
	for ; w.n > 0; w.n -= min(w.n, 8) {
		w.to = append(w.to, byte(w.bits))
		w.bits >>= 8
	}
	return w.to
}

// pack appends the packed form of a body.
func (p *packer) pack(to, body []byte) []byte {
	text := append(p.text[:p.dictionary], body...)
	p.text, p.last = text, p.fresh
	w := bitWriter{to: to}
	w.put(bitCode{1 | 1<<1, 3}) // the last block, with fixed codes
	distance, seen := 0, p.dictionary
	for i := p.dictionary; i < len(text); {
		n, d := p.find(i, distance)
		if n >= matchLeast && n < matchGood {
			if later, _ := p.find(i+1, distance); later > n+1 {
				n = 0 // the byte by itself, and then the longer match
			}
		}
		if n >= matchLeast {
			w.put(p.lengths[n])
			w.put(distanceCode(d))
			distance = d
		} else {
			w.put(p.literals[text[i]])
			n = 1
		}
		i += n
		for ; seen < i && seen+matchLeast <= len(text) && seen < placesMost; seen++ {
			p.note(seen)
		}
	}
	w.put(fixed(256)) // the end
	return w.end()
}

// note notes where the four bytes at i were seen.
func (p *packer) note(i int) {
	at := slot(p.text[i:])
	p.before[i], p.last[at] = p.last[at], uint16(i+1)
}

// find returns the longest match for what is at i, and its distance. The distance of the last match
// is the likeliest: members follow each other as they do there.
func (p *packer) find(i, distance int) (n, d int) {
	if len(p.text)-i < matchLeast {
		return 0, 0
	}
	n, d = match(p.text, i, distance), distance
	at := int(p.last[slot(p.text[i:])])
	for tries := 2; tries > 0 && at > 0; tries-- {
		if m := match(p.text, i, i+1-at); m > n {
			n, d = m, i+1-at
		}
		at = int(p.before[at-1])
	}
	return n, d
}

// match returns how many bytes at i are as those a distance before them, 0 if the distance is out
// of reach.
func match(text []byte, i, distance int) (n int) {
	if distance == 0 || distance > reach {
		return 0
	}
	most := min(len(text)-i, matchMost)
	a, b := text[i-distance:], text[i:i+most]
	for len(b)-n >= 8 {
		if x := binary.LittleEndian.Uint64(a[n:]) ^ binary.LittleEndian.Uint64(b[n:]); x != 0 {
			return n + bits.TrailingZeros64(x)/8
		}
		n += 8
	}
	for n < len(b) && a[n] == b[n] {
		n++
	}
	return n
}

// unpacker unpacks bodies and reads them. It accepts all of DEFLATE, so that a later version may pack
// better.
type unpacker struct {
	decoder    event.Decoder
	dictionary []byte
	in         bytes.Reader
	flate      io.ReadCloser
	out        []byte
}

// bodyMost is the largest number of bytes of a body. It bounds what a forged row makes of the
// memory.
const bodyMost = 64 << 20

var errPacked = errors.New("its body can't be unpacked")

// unpack returns a body. It is valid until the next call.
func (u *unpacker) unpack(packed []byte) ([]byte, error) {
	u.in.Reset(packed)
	if u.flate == nil {
		u.flate = flate.NewReaderDict(&u.in, u.dictionary)
	} else if err := u.flate.(flate.Resetter).Reset(&u.in, u.dictionary); err != nil {
		return nil, err
	}
	out := u.out[:cap(u.out)]
	for n := 0; ; {
		if n == len(out) {
			if n >= bodyMost {
				return nil, fmt.Errorf("%w: it has more than %d bytes", errPacked, bodyMost)
			}
			out = append(out, make([]byte, max(n, 4<<10))...)
		}
		m, err := u.flate.Read(out[n:])
		n += m
		switch {
		case err == io.EOF && u.in.Len() > 0:
			return nil, fmt.Errorf("%w: bytes follow it", errPacked)
		case err == io.EOF:
			u.out = out
			return out[:n], nil
		case err != nil:
			return nil, fmt.Errorf("%w: %w", errPacked, err)
		}
	}
}

func (u *unpacker) decode(body []byte) (event.Event, error) {
	e, err := u.decoder.Decode(body)
	if err != nil {
		err = fmt.Errorf("body: %w", err)
	}
	return e, err
}

// unpacked returns the body of a row, which the caller may keep.
func (u *unpacker) unpacked(seq uint64, packed []byte) ([]byte, error) {
	body, err := u.unpack(packed)
	if err != nil {
		return nil, fmt.Errorf("event %d: %w; run verify", seq, err)
	}
	return bytes.Clone(body), nil
}

// packing is for goroutines that pack and unpack bodies of one journal at the same time.
type packing struct {
	dictionary []byte
	packers    sync.Pool
	unpackers  sync.Pool
}

// pack packs the bodies of entries. It is for the goroutines that append, since the writer is the one
// that all wait for.
func (ps *packing) pack(batch []entry) {
	p, ok := ps.packers.Get().(*packer)
	if !ok {
		p = newPacker(ps.dictionary)
	}
	defer ps.packers.Put(p)
	all := make([]byte, 0, packedUsual*len(batch)) // one allocation, since there may be many
	for i := range batch {
		from := len(all)
		all = p.pack(all, batch[i].body)
		batch[i].packed = all[from:len(all):len(all)]
	}
}

// packedUsual is about how many bytes the body of a reading has when it is packed.
const packedUsual = 128

func (ps *packing) take() *unpacker {
	if u, ok := ps.unpackers.Get().(*unpacker); ok {
		return u
	}
	return &unpacker{dictionary: ps.dictionary}
}

func (ps *packing) give(u *unpacker) { ps.unpackers.Put(u) }
