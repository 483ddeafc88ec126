package faulttest

import (
	"bytes"
	"maps"
	"math/rand/v2"
	"slices"
	"strings"
)

// Cut says what a power cut makes of what was written and not synced.
type Cut int

// The ways in which a power cut ends.
const (
	Dropped  Cut = iota // nothing of it is left
	Torn512             // pieces of 512 bytes of it are left
	Torn4096            // pieces of 4096 bytes of it are left
	Rubbish             // of the pieces that are missing, half are rubbish
	InOrder             // it is left up to some byte, in the order in which it was written
	Spoilt              // as InOrder, and the whole sector that was being written is rubbish, with what was synced in it
)

// Cuts returns all ways in which a power cut ends.
func Cuts() []Cut { return []Cut{Dropped, Torn512, Torn4096, Rubbish, InOrder, Spoilt} }

// String returns the name of a cut.
func (c Cut) String() string {
	return [...]string{"dropped", "torn512", "torn4096", "rubbish", "inorder", "spoilt"}[c]
}

// op is a change that is not synced: bytes of a file, its size, or names of a folder.
type op struct {
	node   *node
	at     int
	data   []byte
	size   int
	resize bool
	names  map[string]*node // nil for a name that was removed
}

// without returns the operations on other nodes than n.
func without(log []op, n *node) []op {
	return slices.DeleteFunc(log, func(o op) bool { return o.node == n })
}

// sized returns content cut off or lengthened with zeros.
func sized(b []byte, size int) []byte {
	if size <= len(b) {
		return b[:size]
	}
	return append(b, make([]byte, size-len(b))...)
}

// image is what is on the disk, by node.
type image struct {
	files map[*node][]byte
	names map[*node]map[string]*node
}

// after returns the tree that a power cut leaves.
func (d *Disk) after(cut Cut, rng *rand.Rand) *node {
	im := image{files: map[*node][]byte{}, names: map[*node]map[string]*node{}}
	switch cut {
	case Torn512:
		im.torn(d.log, 512, false, rng)
	case Torn4096:
		im.torn(d.log, page, false, rng)
	case Rubbish:
		im.torn(d.log, sector(rng), true, rng)
	case InOrder:
		if k := rng.IntN(len(d.log) + 1); k < len(d.log) {
			im.applyAll(d.log[:k])
			im.apply(d.log[k].upTo(rng.IntN(len(d.log[k].data)/512 + 1)))
		} else {
			im.applyAll(d.log)
		}
	case Spoilt:
		im.spoil(d.log, rng)
	}
	return d.build("", d.root, &im)
}

// sector returns one of the usual sizes of a sector.
func sector(rng *rand.Rand) int { return []int{512, page}[rng.IntN(2)] }

// build makes the nodes of a folder and of all below it anew.
func (d *Disk) build(at string, folder *node, im *image) *node {
	names := map[string]*node{}
	for name, child := range im.folder(folder) {
		p := strings.TrimPrefix(at+"/"+name, "/")
		if child.names != nil {
			names[name] = d.build(p, child, im)
		} else {
			names[name] = d.file(p, bytes.Clone(im.file(child)))
		}
		names[name].mode = child.mode
	}
	return d.folder(at, names)
}

// split returns the first name of a path, and the rest.
func split(p string) (name, rest string) {
	name, rest, _ = strings.Cut(p, "/")
	return name, rest
}

func (im *image) file(n *node) []byte {
	if _, ok := im.files[n]; !ok {
		im.files[n] = bytes.Clone(n.safe)
	}
	return im.files[n]
}

func (im *image) folder(n *node) map[string]*node {
	if _, ok := im.names[n]; !ok {
		im.names[n] = maps.Clone(n.safeNames)
	}
	return im.names[n]
}

func (im *image) applyAll(log []op) {
	for _, o := range log {
		im.apply(o)
	}
}

func (im *image) apply(o op) {
	switch {
	case o.names != nil:
		for name, child := range o.names {
			setName(im.folder(o.node), name, child)
		}
	case o.resize:
		im.files[o.node] = sized(im.file(o.node), o.size)
	case len(o.data) > 0:
		im.write(o.node, o.at, o.data)
	}
}

func (im *image) write(n *node, at int, data []byte) {
	content := im.file(n)
	content = sized(content, max(len(content), at+len(data)))
	copy(content[at:], data)
	im.files[n] = content
}

// upTo returns a change of a file of which only the first pieces of 512 bytes were written.
func (o op) upTo(pieces int) op {
	if o.names == nil && !o.resize {
		o.data = o.data[:min(pieces*512, len(o.data))]
	} else if pieces == 0 {
		o = op{node: o.node}
	}
	return o
}

// torn keeps each piece of a file that was written with a chance of one half, and names in their
// order up to one of them.
func (im *image) torn(log []op, size int, rubbish bool, rng *rand.Rand) {
	type span struct{ from, to int }
	pieces := map[*node]map[int][]span{} // what was written of each piece
	var nodes []*node                    // in a fixed order
	var names []op
	for _, o := range log {
		if o.names != nil {
			names = append(names, o)
			continue
		}
		if pieces[o.node] == nil {
			pieces[o.node] = map[int][]span{}
			nodes = append(nodes, o.node)
		}
		for p := o.at / size; p*size < o.at+len(o.data); p++ {
			pieces[o.node][p] = append(pieces[o.node][p], span{max(o.at, p*size), min(o.at+len(o.data), (p+1)*size)})
		}
	}
	im.applyAll(names[:rng.IntN(len(names)+1)])
	for _, n := range nodes {
		if rng.IntN(2) == 0 {
			im.files[n] = sized(im.file(n), len(n.now))
		}
		for _, p := range slices.Sorted(maps.Keys(pieces[n])) {
			kept := rng.IntN(2) == 0
			spoilt := !kept && rubbish && rng.IntN(2) == 0
			for _, w := range pieces[n][p] {
				to := min(w.to, len(n.now)) // the rest was cut off again
				switch {
				case w.from >= to:
				case kept:
					im.write(n, w.from, n.now[w.from:to])
				case spoilt:
					im.write(n, w.from, noise(to-w.from, rng))
				}
			}
		}
	}
}

// spoil keeps what was written up to one sector, and makes this sector rubbish.
func (im *image) spoil(log []op, rng *rand.Rand) {
	var writes []int
	for i, o := range log {
		if len(o.data) > 0 {
			writes = append(writes, i)
		}
	}
	if len(writes) == 0 {
		return
	}
	k := writes[rng.IntN(len(writes))]
	o, size := log[k], sector(rng)
	im.applyAll(log[:k])
	first, last := o.at/size, (o.at+len(o.data)-1)/size
	spoilt := first
	if rng.IntN(2) == 0 {
		spoilt += rng.IntN(last - first + 1)
	}
	from := spoilt * size
	if from > o.at {
		im.write(o.node, o.at, o.data[:from-o.at])
	}
	to := min(from+size, max(len(im.file(o.node)), o.at+len(o.data)))
	im.write(o.node, from, noise(to-from, rng))
}

func noise(n int, rng *rand.Rand) []byte {
	b := make([]byte, n)
	for i := range b {
		b[i] = byte(rng.Uint32())
	}
	return b
}
