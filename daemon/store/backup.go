package store

import (
	"context"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"strings"
	"time"

	lib "modernc.org/sqlite/lib"
)

// ErrExists says that there is a journal where one is to be restored.
var ErrExists = errors.New("there is a journal already; have it moved aside (--aside), or give another path")

// Backup writes a copy of a journal, as it is at this moment, to a folder. A daemon may go on
// recording meanwhile; its write-ahead log can't be copied into the database until the copy is made.
//
// The copy is checked as [Verify] checks a journal, and its last row is compared with that of the
// journal. Only then does it get its name, which the report holds: fairbore, name, the time, the
// beginning of the head, with such characters alone as any disk takes. An older backup is never
// replaced. If the report says that the copy is not sound, there is no backup.
func Backup(ctx context.Context, path, dir, name string, at time.Time, progress func(done, total uint64)) (r Report, err error) {
	defer func() {
		if err != nil {
			err = fmt.Errorf("back up %s to %s: %w", path, dir, reached(err))
		}
	}()
	name = "fairbore-" + plain(name) + "-" + at.UTC().Format(dumpTime)
	part := filepath.Join(dir, name+".part")
	if r, err = copyTo(ctx, path, part, progress); err != nil || !r.Sound() {
		return r, errors.Join(err, remove(part))
	}
	r.Path = unused(filepath.Join(dir, name+"-"+r.Head[:8]+".db"))
	if err := os.Rename(part, r.Path); err != nil {
		return r, errors.Join(err, remove(part))
	}
	return r, syncDir(dir)
}

// Restore puts the copy of a journal in the place of a journal, once it is found to be sound. It
// fails with [ErrInUse] if a daemon has the journal there, and with [ErrExists] if there is one and
// aside is false. Otherwise the old one is moved aside under a name that Restore returns; nothing is
// erased. If the report says that the copy is not sound, nothing was changed.
func Restore(ctx context.Context, from, path string, aside bool, at time.Time, progress func(done, total uint64)) (r Report, moved string, err error) {
	j, err := prepare(Config{Path: path})
	if err != nil {
		return r, "", err
	}
	defer func() {
		if err = errors.Join(err, j.release()); err != nil {
			err = fmt.Errorf("restore %s from %s: %w", j.path, from, reached(err))
		}
	}()
	if err := j.takeLock(); err != nil {
		return r, "", err
	}
	there := false
	for _, suffix := range []string{"", "-wal", "-shm"} {
		if _, err := os.Lstat(j.path + suffix); !errors.Is(err, fs.ErrNotExist) {
			there = true
		}
	}
	if there && !aside {
		return r, "", ErrExists
	}
	part := j.path + ".restore.part"
	if err := remove(part); err != nil { // left by one that was killed
		return r, "", err
	}
	if r, err = copyTo(ctx, from, part, progress); err != nil || !r.Sound() {
		return r, "", errors.Join(err, remove(part))
	}
	if there {
		if moved, err = moveAside(j.path, ".before-restore-", at); err != nil {
			return r, "", errors.Join(err, remove(part))
		}
	}
	r.Path = j.path
	if err := os.Rename(part, j.path); err != nil {
		return r, moved, err
	}
	return r, moved, syncDir(j.dir())
}

// copyTo copies a journal to a new file, syncs that, and checks what is then on the disk.
func copyTo(ctx context.Context, from, part string, progress func(done, total uint64)) (r Report, err error) {
	if from, err = filepath.Abs(from); err != nil {
		return r, err
	}
	source, err := View(ctx, from) // which also says whether it is a journal
	if err != nil {
		return r, err
	}
	defer func() { err = errors.Join(err, source.Close()) }()
	if err := hasRoom(from, filepath.Dir(part)); err != nil {
		return r, err
	}
	if f, err := os.OpenFile(part, os.O_WRONLY|os.O_CREATE|os.O_EXCL, 0o640); err != nil { // VACUUM INTO fills an empty file
		return r, err
	} else if err := f.Close(); err != nil {
		return r, err
	}
	// The pragma query_only would forbid VACUUM INTO. The option mode=ro protects the journal as
	// well as query_only does.
	db, err := openPool(source.path, "mode=ro", map[string]string{"busy_timeout": "5000"}, 1)
	if err != nil {
		return r, err
	}
	_, err = db.ExecContext(ctx, "vacuum into ?", part)
	if err = errors.Join(err, db.Close()); err != nil {
		return r, err
	}
	if err := syncFile(part); err != nil {
		return r, err
	}
	if r, err = Verify(ctx, part, progress); err != nil || !r.Sound() || r.Rows == 0 {
		return r, err
	}
	now, err := View(ctx, from) // it may have more rows than when it was first looked at
	if err != nil {
		return r, err
	}
	head, err := now.Head(ctx, r.Rows)
	if err == nil && head.Hash != r.Head {
		err = fmt.Errorf("the copy ends with %s and should with %s: the disk does not keep what is written to it", r.Head, head.Hash)
	}
	return r, errors.Join(err, now.Close())
}

// hasRoom checks that a folder is there and has room for a copy of a journal.
func hasRoom(path, dir string) error {
	if info, err := os.Stat(dir); err != nil || !info.IsDir() {
		return fmt.Errorf("%s is no folder; is the stick plugged in? (%w)", dir, errors.Join(err, fs.ErrNotExist))
	}
	need := int64(1 << 20)
	for _, suffix := range []string{"", "-wal"} {
		if info, err := os.Stat(path + suffix); err == nil {
			need += info.Size()
		}
	}
	if free, err := freeBytes(dir); err != nil {
		return err
	} else if free < need {
		return fmt.Errorf("%s has %d MB of room, and %d MB are needed: %w", dir, free>>20, need>>20, errNoRoom)
	}
	return nil
}

var errNoRoom = errors.New("make room, or take a larger stick")

// reached adds to an error what a person should do about the disk that is written to.
func reached(err error) error {
	switch {
	case full(err):
		return fmt.Errorf("%w: %w", errNoRoom, err)
	case code(err) == lib.SQLITE_IOERR, code(err) == lib.SQLITE_CANTOPEN, code(err) == lib.SQLITE_READONLY:
		return fmt.Errorf("the disk can't be written to; was the stick pulled, or is it write-protected? (%w)", err)
	}
	return err
}

// plain returns a text with such characters alone as the name of a file may have on any disk.
func plain(text string) string {
	return strings.Map(func(r rune) rune {
		if r < 0x80 && (r >= '0' && r <= '9' || r >= 'A' && r <= 'Z' || r >= 'a' && r <= 'z') {
			return r
		}
		return '-'
	}, text)
}
