package store

import (
	"errors"
	"math/rand/v2"
	"os"
	"sync"
)

// reserveFile is a file that takes up room on the disk. When the disk is full, SQLite can't make
// room by deleting rows. The journal then removes this file, and SQLite goes on in the room that
// the removed file leaves.
type reserveFile struct {
	path string
	size int64      // in bytes; negative: there is none
	mu   sync.Mutex // held while the file is made or removed
}

// remove removes the file. It returns false if there was none.
func (r *reserveFile) remove() bool {
	r.mu.Lock()
	defer r.mu.Unlock()
	return r.size >= 0 && os.Remove(r.path) == nil
}

// whole reports whether the file exists in its full size.
func (r *reserveFile) whole() bool {
	info, err := os.Lstat(r.path)
	return err == nil && info.Mode().IsRegular() && info.Size() == r.size
}

// make makes the file. If that fails, it leaves no file. The file is filled with random bytes, so
// that it takes its full size even on a file system that compresses.
func (r *reserveFile) make() (err error) {
	r.mu.Lock()
	defer r.mu.Unlock()
	if err := remove(r.path); err != nil {
		return err
	}
	f, err := os.OpenFile(r.path, os.O_WRONLY|os.O_CREATE|os.O_EXCL, 0o640)
	if err != nil {
		return err
	}
	defer func() {
		if err = errors.Join(err, f.Close()); err != nil {
			err = errors.Join(err, os.Remove(r.path))
		}
	}()
	random := rand.NewChaCha8([32]byte{})
	block := make([]byte, 64<<10)
	for left := r.size; left > 0; left -= int64(len(block)) {
		block = block[:min(left, int64(len(block)))]
		random.Read(block) // never fails
		if _, err := f.Write(block); err != nil {
			return err
		}
	}
	return f.Sync()
}

// try makes the file and removes it again.
func (r *reserveFile) try() error {
	if err := r.make(); err != nil {
		return err
	}
	return remove(r.path)
}

// ensureReserves makes the reserve files that are missing. It warns if that fails.
func (j *Journal) ensureReserves() {
	for _, r := range []*reserveFile{&j.reserve, &j.endReserve} {
		if r.size < 0 || r.whole() {
			continue
		}
		if free, err := freeBytes(j.dir()); err == nil && free < 2*r.size {
			j.warn("the disk has no room for the journal's reserve; make room")
		} else if err := r.make(); err != nil {
			j.warn("the journal's reserve can't be made: " + err.Error())
		} else {
			continue
		}
		j.state.Reserve = true
	}
}

// useReserve removes the reserve file to make room. It returns false if there is none.
func (j *Journal) useReserve() bool {
	if !j.reserve.remove() {
		return false
	}
	j.cfg.Log.Error().Str("journal", j.path).Msg("the disk is full: the journal lives on its reserve; make room")
	j.setReserve(true)
	return true
}

// restoreReserves makes the reserve files again once three times the size of one is free.
func (j *Journal) restoreReserves() {
	j.mu.Lock()
	wanted, free := j.state.Reserve, j.state.FreeBytes
	j.mu.Unlock()
	if !wanted || free < 3*j.reserve.size {
		return
	}
	for _, r := range []*reserveFile{&j.reserve, &j.endReserve} {
		if !r.whole() && r.make() != nil {
			return
		}
	}
	j.setReserve(false)
}

func (j *Journal) setReserve(used bool) {
	j.mu.Lock()
	defer j.mu.Unlock()
	j.state.Reserve = used
	signal(j.changed)
}
