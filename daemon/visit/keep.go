package visit

import (
	"cmp"
	"context"
	"errors"
	"io/fs"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"sync/atomic"

	"github.com/rs/zerolog"

	"fairbore/daemon/session"
)

const (
	queued    = 16     // visits that may wait for the disk
	mostFiles = 10_000 // of a station
	stamp     = "20060102T150405.000000Z"
)

// Keeper writes the visits of a station to a folder and removes the oldest. A file gets its name
// only when it is complete. A slow disk holds nothing up: visits that it can't take are dropped and
// counted.
type Keeper struct {
	dir     string
	prefix  string
	most    int64
	log     zerolog.Logger
	follow  follower
	queue   chan *Visit
	kept    atomic.Uint64
	dropped atomic.Uint64

	// Used by Run's goroutine alone.
	files  []file // the existing files, the oldest first
	known  bool   // the folder was read
	failed bool   // the latest write failed
}

type file struct {
	name string
	size int64
}

// NewKeeper returns a keeper of the visits of a station. It makes the folder when it writes the
// first visit. The visits take up at most most bytes.
func NewKeeper(dir, station string, most int64, log zerolog.Logger) *Keeper {
	k := &Keeper{dir: dir, prefix: plain(station) + "-", most: most, log: log, queue: make(chan *Visit, queued)}
	k.follow = follower{station: station, put: k.put}
	return k
}

// plain matches a name that can't be part of a path.
func plain(name string) string {
	return strings.Map(func(r rune) rune {
		if r >= 'a' && r <= 'z' || r >= 'A' && r <= 'Z' || r >= '0' && r <= '9' || r == '-' || r == '_' {
			return r
		}
		return '_'
	}, name)
}

// Take takes in a value that the session's capture was given. It never waits. Only one goroutine
// may call it and End.
func (k *Keeper) Take(f *session.CaptureStep) { k.follow.take(f) }

// End ends a visit in progress.
func (k *Keeper) End() { k.follow.end("the program ended") }

// Counts returns how many visits were written and how many were dropped. Any goroutine may call it.
func (k *Keeper) Counts() (kept, dropped uint64) { return k.kept.Load(), k.dropped.Load() }

func (k *Keeper) put(v *Visit) {
	select {
	case k.queue <- v:
	default:
		k.dropped.Add(1)
	}
}

// Run writes the visits until ctx ends, and then those still in the queue.
func (k *Keeper) Run(ctx context.Context) error {
	for {
		select {
		case v := <-k.queue:
			k.write(v)
			continue
		case <-ctx.Done():
		}
		for {
			select {
			case v := <-k.queue:
				k.write(v)
			default:
				return nil
			}
		}
	}
}

func (k *Keeper) write(v *Visit) {
	err := k.store(v)
	switch {
	case err != nil:
		k.dropped.Add(1)
		if !k.failed {
			k.log.Error().Err(err).Str("dir", k.dir).Msg("a visit was not kept; reading goes on")
		}
	default:
		k.kept.Add(1)
		if k.failed {
			k.log.Info().Msg("visits are kept again")
		}
	}
	k.failed = err != nil
}

func (k *Keeper) store(v *Visit) error {
	text := v.Append(nil)
	if err := os.MkdirAll(k.dir, 0o750); err != nil {
		return err
	}
	if err := k.room(int64(len(text))); err != nil {
		return err
	}
	name := k.prefix + v.Began.UTC().Format(stamp) + ".rec"
	part := filepath.Join(k.dir, name+".part")
	f, err := os.OpenFile(part, os.O_WRONLY|os.O_CREATE|os.O_EXCL, 0o640)
	if err != nil {
		return err
	}
	_, err = f.Write(text)
	if err == nil {
		err = f.Sync()
	}
	if err = errors.Join(err, f.Close()); err == nil {
		err = os.Rename(part, filepath.Join(k.dir, name))
	}
	if err != nil {
		return errors.Join(err, os.Remove(part))
	}
	k.files = append(slices.DeleteFunc(k.files, func(f file) bool { return f.name == name }), file{name, int64(len(text))})
	return nil
}

// room removes the oldest visits until another one of so many bytes fits.
func (k *Keeper) room(bytes int64) error {
	if !k.known {
		if err := k.look(); err != nil {
			return err
		}
		k.known = true
	}
	total := bytes
	for _, f := range k.files {
		total += f.size
	}
	for len(k.files) > 0 && (total > k.most || len(k.files) >= mostFiles) {
		if err := remove(filepath.Join(k.dir, k.files[0].name)); err != nil {
			return err
		}
		total -= k.files[0].size
		k.files = k.files[1:]
	}
	return nil
}

// look reads which visits of the station are in the folder, and removes unfinished files of a
// program that was killed.
func (k *Keeper) look() error {
	all, err := os.ReadDir(k.dir)
	if err != nil {
		return err
	}
	for _, e := range all {
		rest, ours := strings.CutPrefix(e.Name(), k.prefix)
		at, unfinished := strings.CutSuffix(rest, ".part")
		if !ours || len(at) != len(stamp)+len(".rec") || !strings.HasSuffix(at, "Z.rec") || !e.Type().IsRegular() {
			continue
		}
		if unfinished {
			if err := remove(filepath.Join(k.dir, e.Name())); err != nil {
				return err
			}
			continue
		}
		info, err := e.Info()
		if errors.Is(err, fs.ErrNotExist) {
			continue
		}
		if err != nil {
			return err
		}
		k.files = append(k.files, file{e.Name(), info.Size()})
	}
	slices.SortFunc(k.files, func(a, b file) int { return cmp.Compare(a.name, b.name) }) // the time in the name makes that the oldest first
	return nil
}

func remove(path string) error {
	if err := os.Remove(path); err != nil && !errors.Is(err, fs.ErrNotExist) {
		return err
	}
	return nil
}
