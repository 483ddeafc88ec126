package faulttest

import (
	"bytes"
	"context"
	"maps"
	"math/rand/v2"
	"os"
	"path"
	"path/filepath"
	"sync"
	"syscall"
	"testing"
	"time"

	"github.com/hanwen/go-fuse/v2/fs"
	"github.com/hanwen/go-fuse/v2/fuse"
	"golang.org/x/sys/unix"

	"fairbore/daemon/daemontest"
)

// Disk is a disk in memory that knows what was synced. At a power cut it keeps what was synced, and
// of the rest what the [Cut] says. It can also fail, be slow and be full.
//
// A file is synced by its own fsync. A name in a folder (a file that was created, renamed or
// removed) is synced by an fsync of the folder, as POSIX promises no more.
//
// The process that has made the disk must not map a file of it into memory, and so must not open a
// journal on it: the process would wait for itself. [Disk.Save] copies files to elsewhere.
type Disk struct {
	t      testing.TB
	dir    string
	server *fuse.Server

	mu    sync.Mutex
	wake  *sync.Cond
	root  *node
	log   []op           // what was changed and is not synced, oldest first
	syncs map[string]int // number of syncs by path
	used  int64          // bytes of all files
	size  int64

	left    int           // changes until the power fails; 0: it does not fail
	failed  chan struct{} // closed when the power has failed
	off     bool          // the power has failed: whoever uses the disk waits
	ended   bool          // nobody waits any more
	slow    time.Duration // how long a sync takes
	faults  Operation     // operations that fail with EIO
	times   int           // how many operations fail; negative: until Mend
	refused int           // operations that have failed
}

// Operation is a set of kinds of operations of a disk.
type Operation uint8

// The kinds of operations.
const (
	Read  Operation = 1 << iota
	Write           // of the content of a file
	Sync            // of a file or a folder
	Name            // create, rename, remove
)

// node is a file or a folder.
type node struct {
	fs.Inode
	disk *Disk
	path string
	mode uint32

	now, safe []byte         // content of a file: as it is read, and as it is on the disk
	dirty     map[int64]bool // pages of now that the next sync writes

	names, safeNames map[string]*node // of a folder, nil for a file
}

const (
	page     = 4096
	roomy    = 1 << 30 // size of a disk that is not filled
	forever  = time.Hour
	fileMode = 0o640
)

// NewDisk mounts an empty disk, until the test ends. Without the right to do so it skips the test,
// or fails it if FAIRBORE_ALL is set.
func NewDisk(t testing.TB, dir string) *Disk {
	t.Helper()
	if err := os.MkdirAll(dir, 0o750); err != nil {
		t.Fatal(err)
	}
	d := &Disk{t: t, dir: dir, syncs: map[string]int{}, size: roomy}
	d.wake = sync.NewCond(&d.mu)
	d.root = d.folder("", nil)
	if err := d.mount(); err != nil {
		daemontest.Missing(t, "mount a file system of this process (FUSE): "+err.Error())
	}
	t.Cleanup(d.unmount)
	return d
}

func (d *Disk) folder(path string, names map[string]*node) *node {
	if names == nil {
		names = map[string]*node{}
	}
	return &node{disk: d, path: path, mode: fuse.S_IFDIR | 0o750, names: names, safeNames: maps.Clone(names)}
}

func (d *Disk) file(path string, content []byte) *node {
	return &node{disk: d, path: path, mode: fuse.S_IFREG | fileMode, now: content, safe: bytes.Clone(content), dirty: map[int64]bool{}}
}

func (d *Disk) mount() (err error) {
	long := forever // only the kernel changes the files, so it may keep what it knows
	d.failed = make(chan struct{})
	d.server, err = fs.Mount(d.dir, d.root, &fs.Options{
		MountOptions: fuse.MountOptions{DirectMountStrict: true, FsName: "faulttest", Name: "faulttest", DisableXAttrs: true},
		EntryTimeout: &long, AttrTimeout: &long, NegativeTimeout: &long,
		OnAdd: func(ctx context.Context) { d.root.plant(ctx) },
	})
	return err
}

// plant adds the nodes below a folder to the tree that the kernel asks for.
func (n *node) plant(ctx context.Context) {
	for name, child := range n.names {
		n.AddChild(name, n.NewPersistentInode(ctx, child, fs.StableAttr{Mode: child.mode & syscall.S_IFMT}), true)
		if child.names != nil {
			child.plant(ctx)
		}
	}
}

func (d *Disk) unmount() {
	d.end()
	if err := unix.Unmount(d.dir, unix.MNT_DETACH); err != nil {
		d.t.Errorf("unmount the disk of the test: %v", err)
		return
	}
	d.server.Wait()
}

// end lets those who wait for the disk go on, with an error.
func (d *Disk) end() {
	d.mu.Lock()
	defer d.mu.Unlock()
	d.ended = true
	d.wake.Broadcast()
}

// FailAfter lets the power fail at the n-th change from now: a write, a sync, or a new or removed
// name. That change is not completed, and whoever uses the disk after it waits. The channel is
// closed when the power has failed.
func (d *Disk) FailAfter(n int) <-chan struct{} {
	d.mu.Lock()
	defer d.mu.Unlock()
	d.left = n
	return d.failed
}

// Off lets the power fail now, if it has not failed yet.
func (d *Disk) Off() {
	d.mu.Lock()
	defer d.mu.Unlock()
	d.powerFails()
}

func (d *Disk) powerFails() {
	if !d.off {
		d.off = true
		close(d.failed)
	}
}

// Replace kills a process that uses the disk, and returns when the disk is mounted again, with what
// a power cut has left on it. Call it after the power has failed.
func (d *Disk) Replace(p *os.Process, wait func() error, cut Cut, rng *rand.Rand) {
	d.t.Helper()
	p.Kill()
	d.unmount()
	_ = wait() // it was killed
	d.mu.Lock()
	root := d.after(cut, rng)
	d.root, d.log = root, nil
	d.left, d.off, d.ended, d.faults, d.times, d.slow, d.size = 0, false, false, 0, 0, 0, roomy
	d.used = root.bytes()
	d.mu.Unlock()
	if err := d.mount(); err != nil {
		d.t.Fatalf("mount the disk again: %v", err)
	}
}

// Fail lets the next operations of some kinds fail with EIO: that many, or all until [Disk.Mend] if
// times is negative. A sync that fails drops what it should have written, as Linux does: it is
// still read, but a later sync does not write it.
func (d *Disk) Fail(kinds Operation, times int) {
	d.mu.Lock()
	defer d.mu.Unlock()
	d.faults, d.times = kinds, times
}

// Mend ends all faults of the disk.
func (d *Disk) Mend() {
	d.mu.Lock()
	defer d.mu.Unlock()
	d.faults, d.times, d.slow, d.size = 0, 0, 0, roomy
}

// Slow lets each sync take that long.
func (d *Disk) Slow(sync time.Duration) {
	d.mu.Lock()
	defer d.mu.Unlock()
	d.slow = sync
}

// Fill leaves that many bytes free.
func (d *Disk) Fill(free int64) {
	d.mu.Lock()
	defer d.mu.Unlock()
	d.size = d.used + free
}

// Refused returns how many operations have failed with EIO.
func (d *Disk) Refused() int {
	d.mu.Lock()
	defer d.mu.Unlock()
	return d.refused
}

// Syncs returns how often each file and folder was synced, by its path on the disk. The disk itself
// has the path "".
func (d *Disk) Syncs() map[string]int {
	d.mu.Lock()
	defer d.mu.Unlock()
	return maps.Clone(d.syncs)
}

// Save copies files of one folder of the disk, as they are read now, to a folder elsewhere. A file
// that is not there is left out. All files are of the same moment.
func (d *Disk) Save(from, to string, names ...string) {
	d.t.Helper()
	d.mu.Lock()
	contents := map[string][]byte{}
	if folder := d.root.find(from); folder != nil {
		for _, name := range names {
			if n := folder.names[name]; n != nil {
				contents[name] = bytes.Clone(n.now)
			}
		}
	}
	d.mu.Unlock()
	for name, content := range contents {
		if err := os.WriteFile(filepath.Join(to, name), content, fileMode); err != nil {
			d.t.Fatal(err)
		}
	}
}

// find returns the node of a path below a folder, nil if there is none.
func (n *node) find(p string) *node {
	for p != "" && n != nil {
		var name string
		name, p = split(p)
		n = n.names[name]
	}
	return n
}

// bytes returns how much room the files below a folder take.
func (n *node) bytes() (sum int64) {
	sum = room(len(n.now))
	for _, child := range n.names {
		sum += child.bytes()
	}
	return sum
}

// room returns how many bytes a file of a size takes on the disk.
func room(size int) int64 { return int64(size+page-1) / page * page }

// enter begins an operation. It waits if the power has failed, and returns the error with which the
// operation is to fail.
func (d *Disk) enter(kind Operation) syscall.Errno {
	if errno := d.powered(); errno != 0 {
		return errno
	}
	if d.faults&kind != 0 && d.times != 0 {
		d.times = max(d.times-1, -1)
		d.refused++
		return syscall.EIO
	}
	return 0
}

// powered waits while the power has failed. It returns an error if it does not come back.
func (d *Disk) powered() syscall.Errno {
	for d.off && !d.ended {
		d.wake.Wait()
	}
	if d.ended {
		return syscall.EIO
	}
	return 0
}

// change counts a change, at which the power may fail.
func (d *Disk) change() syscall.Errno {
	if d.left > 0 {
		if d.left--; d.left == 0 {
			d.powerFails()
		}
	}
	return d.powered()
}

// The methods below are what the kernel asks for. See package fs of go-fuse.

// Getattr implements [fs.NodeGetattrer].
func (n *node) Getattr(_ context.Context, _ fs.FileHandle, out *fuse.AttrOut) syscall.Errno {
	n.disk.mu.Lock()
	defer n.disk.mu.Unlock()
	n.attr(&out.Attr)
	return n.disk.powered()
}

func (n *node) attr(out *fuse.Attr) {
	out.Mode, out.Size, out.Blocks, out.Blksize, out.Nlink = n.mode, uint64(len(n.now)), uint64(room(len(n.now)))/512, page, 1
}

// Setattr implements [fs.NodeSetattrer].
func (n *node) Setattr(_ context.Context, _ fs.FileHandle, in *fuse.SetAttrIn, out *fuse.AttrOut) syscall.Errno {
	n.disk.mu.Lock()
	defer n.disk.mu.Unlock()
	if mode, ok := in.GetMode(); ok {
		n.mode = n.mode&syscall.S_IFMT | mode&^syscall.S_IFMT
	}
	if size, ok := in.GetSize(); ok && size != uint64(len(n.now)) {
		if errno := n.resize(int(size)); errno != 0 {
			return errno
		}
	}
	n.attr(&out.Attr)
	return n.disk.powered()
}

// resize cuts a file off, or lets it grow with zeros.
func (n *node) resize(size int) syscall.Errno {
	if errno := n.disk.enter(Write); errno != 0 {
		return errno
	}
	if errno := n.grow(size); errno != 0 {
		return errno
	}
	if size < len(n.now) {
		n.disk.used += room(size) - room(len(n.now))
		n.now = n.now[:size]
	}
	n.disk.log = append(n.disk.log, op{node: n, size: size, resize: true})
	return n.disk.change()
}

// grow makes a file at least that large, if the disk has room.
func (n *node) grow(size int) syscall.Errno {
	if size <= len(n.now) {
		return 0
	}
	more := room(size) - room(len(n.now))
	if n.disk.used+more > n.disk.size {
		return syscall.ENOSPC
	}
	n.disk.used += more
	before := len(n.now)
	if size > cap(n.now) {
		grown := make([]byte, size, max(size, 2*cap(n.now)))
		copy(grown, n.now)
		n.now = grown
	}
	n.now = n.now[:size]
	clear(n.now[before:])
	return 0
}

// Open implements [fs.NodeOpener].
func (n *node) Open(context.Context, uint32) (fs.FileHandle, uint32, syscall.Errno) {
	return nil, fuse.FOPEN_KEEP_CACHE, 0
}

// Read implements [fs.NodeReader].
func (n *node) Read(_ context.Context, _ fs.FileHandle, to []byte, at int64) (fuse.ReadResult, syscall.Errno) {
	n.disk.mu.Lock()
	defer n.disk.mu.Unlock()
	if errno := n.disk.enter(Read); errno != 0 {
		return nil, errno
	}
	from := min(at, int64(len(n.now)))
	return fuse.ReadResultData(to[:copy(to, n.now[from:])]), 0
}

// Write implements [fs.NodeWriter].
func (n *node) Write(_ context.Context, _ fs.FileHandle, data []byte, at int64) (uint32, syscall.Errno) {
	n.disk.mu.Lock()
	defer n.disk.mu.Unlock()
	if errno := n.disk.enter(Write); errno != 0 {
		return 0, errno
	}
	if errno := n.grow(int(at) + len(data)); errno != 0 {
		return 0, errno
	}
	copy(n.now[at:], data)
	for p := at / page; p*page < at+int64(len(data)); p++ {
		n.dirty[p] = true
	}
	n.disk.log = append(n.disk.log, op{node: n, at: int(at), data: bytes.Clone(data)})
	return uint32(len(data)), n.disk.change()
}

// Fsync implements [fs.NodeFsyncer], for files and folders.
func (n *node) Fsync(context.Context, fs.FileHandle, uint32) syscall.Errno {
	d := n.disk
	d.mu.Lock()
	defer d.mu.Unlock()
	if d.slow > 0 {
		wait := d.slow
		d.mu.Unlock()
		time.Sleep(wait)
		d.mu.Lock()
	}
	failed := d.enter(Sync)
	if d.ended {
		return failed
	}
	if errno := d.change(); errno != 0 {
		return errno
	}
	if failed == 0 {
		d.syncs[n.path]++
		n.sync()
	}
	clear(n.dirty)
	d.log = without(d.log, n)
	return failed
}

// sync writes the pages of a file that were changed, or the names of a folder.
func (n *node) sync() {
	if n.names != nil {
		n.safeNames = maps.Clone(n.names)
		return
	}
	n.safe = sized(n.safe, len(n.now))
	for p := range n.dirty {
		from := min(int(p)*page, len(n.now))
		copy(n.safe[from:], n.now[from:min(from+page, len(n.now))])
	}
}

// Create implements [fs.NodeCreater].
func (n *node) Create(ctx context.Context, name string, _, mode uint32, out *fuse.EntryOut) (*fs.Inode, fs.FileHandle, uint32, syscall.Errno) {
	child := n.disk.file(path.Join(n.path, name), nil)
	child.mode = fuse.S_IFREG | mode&^syscall.S_IFMT
	in, errno := n.add(ctx, name, child, out)
	return in, nil, fuse.FOPEN_KEEP_CACHE, errno
}

// Mkdir implements [fs.NodeMkdirer].
func (n *node) Mkdir(ctx context.Context, name string, mode uint32, out *fuse.EntryOut) (*fs.Inode, syscall.Errno) {
	child := n.disk.folder(path.Join(n.path, name), nil)
	child.mode = fuse.S_IFDIR | mode&^syscall.S_IFMT
	return n.add(ctx, name, child, out)
}

func (n *node) add(ctx context.Context, name string, child *node, out *fuse.EntryOut) (*fs.Inode, syscall.Errno) {
	if errno := n.set(map[string]*node{name: child}); errno != 0 {
		return nil, errno
	}
	child.attr(&out.Attr)
	return n.NewPersistentInode(ctx, child, fs.StableAttr{Mode: child.mode & syscall.S_IFMT}), 0
}

// set changes names of a folder. A name without a node is removed.
func (n *node) set(names map[string]*node) syscall.Errno {
	d := n.disk
	d.mu.Lock()
	defer d.mu.Unlock()
	if errno := d.enter(Name); errno != 0 {
		return errno
	}
	for name, child := range names {
		if before := n.names[name]; before != nil && child != before && !anywhere(names, before) {
			d.used -= before.bytes()
		}
		setName(n.names, name, child)
	}
	d.log = append(d.log, op{node: n, names: names})
	return d.change()
}

// anywhere reports whether a node only gets another name.
func anywhere(names map[string]*node, n *node) bool {
	for _, child := range names {
		if child == n {
			return true
		}
	}
	return false
}

func setName(names map[string]*node, name string, child *node) {
	if child == nil {
		delete(names, name)
	} else {
		names[name] = child
	}
}

// Unlink implements [fs.NodeUnlinker].
func (n *node) Unlink(_ context.Context, name string) syscall.Errno {
	return n.set(map[string]*node{name: nil})
}

// Rmdir implements [fs.NodeRmdirer].
func (n *node) Rmdir(ctx context.Context, name string) syscall.Errno {
	n.disk.mu.Lock()
	full := n.names[name] != nil && len(n.names[name].names) > 0
	n.disk.mu.Unlock()
	if full {
		return syscall.ENOTEMPTY
	}
	return n.Unlink(ctx, name)
}

// Rename implements [fs.NodeRenamer], within one folder.
func (n *node) Rename(_ context.Context, name string, to fs.InodeEmbedder, newName string, flags uint32) syscall.Errno {
	if to.EmbeddedInode() != n.EmbeddedInode() || flags != 0 {
		return syscall.EXDEV
	}
	n.disk.mu.Lock()
	child := n.names[name]
	if child != nil {
		child.path = path.Join(n.path, newName)
	}
	n.disk.mu.Unlock()
	return n.set(map[string]*node{name: nil, newName: child})
}

// Statfs implements [fs.NodeStatfser].
func (n *node) Statfs(_ context.Context, out *fuse.StatfsOut) syscall.Errno {
	n.disk.mu.Lock()
	defer n.disk.mu.Unlock()
	free := uint64(max(n.disk.size-n.disk.used, 0)) / page
	*out = fuse.StatfsOut{Bsize: page, Frsize: page, Blocks: uint64(n.disk.size) / page, Bfree: free, Bavail: free, NameLen: 255}
	return n.disk.powered()
}
