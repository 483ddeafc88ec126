package store

import (
	"errors"
	"math/rand/v2"
	"os"
	"sync"
)

// ballast is a file that takes up room for the day on which the disk is full:
// SQLite can't make room by deleting rows then, but it can go on in the room
// of a file that is taken away.
type ballast struct {
	path string
	size int64
	mu   sync.Mutex // held while the file is made or taken away
}

// drop takes the ballast away; false if there was none.
func (b *ballast) drop() bool {
	b.mu.Lock()
	defer b.mu.Unlock()
	return os.Remove(b.path) == nil
}

// there reports whether the ballast is there, whole.
func (b *ballast) there() bool {
	info, err := os.Stat(b.path)
	return err == nil && info.Size() == b.size
}

// make makes the ballast, or leaves nothing. It is written with noise, so that
// a file system that packs its files gives it real room.
func (b *ballast) make() (err error) {
	b.mu.Lock()
	defer b.mu.Unlock()
	f, err := os.OpenFile(b.path, os.O_WRONLY|os.O_CREATE|os.O_TRUNC, 0o640)
	if err != nil {
		return err
	}
	defer func() {
		if err = errors.Join(err, f.Close()); err != nil {
			err = errors.Join(err, os.Remove(b.path))
		}
	}()
	noise := rand.NewChaCha8([32]byte{})
	block := make([]byte, 64<<10)
	for left := b.size; left > 0; left -= int64(len(block)) {
		block = block[:min(left, int64(len(block)))]
		noise.Read(block) // never fails
		if _, err := f.Write(block); err != nil {
			return err
		}
	}
	return f.Sync()
}

// openBallast sees to it that there is a ballast, or warns.
func (j *Journal) openBallast() {
	if j.cfg.Ballast < 0 || j.reserve.there() {
		return
	}
	if free, err := freeBytes(j.dir); err == nil && free < 2*j.cfg.Ballast {
		j.warn("the disk has no room for the journal's reserve; make room")
	} else if err := j.reserve.make(); err != nil {
		j.warn("the journal's reserve can't be made: " + err.Error())
	} else {
		return
	}
	j.state.Reserve = true
}

// dropBallast gives the ballast up for room; false if it is gone already.
func (j *Journal) dropBallast() bool {
	if j.cfg.Ballast < 0 || !j.reserve.drop() {
		return false
	}
	j.cfg.Log.Error().Str("journal", j.path).Msg("the disk is full: the journal lives on its reserve; make room")
	j.setReserve(true)
	return true
}

// restoreBallast makes the ballast anew once there is room for it and as much again.
func (j *Journal) restoreBallast() {
	j.mu.Lock()
	wanted, free := j.state.Reserve, j.state.FreeBytes
	j.mu.Unlock()
	if !wanted || free < 2*j.cfg.Ballast || j.reserve.make() != nil {
		return
	}
	j.setReserve(false)
}

func (j *Journal) setReserve(used bool) {
	j.mu.Lock()
	defer j.mu.Unlock()
	j.state.Reserve = used
	signal(j.changed)
}
