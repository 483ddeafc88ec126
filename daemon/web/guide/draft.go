package guide

import (
	"encoding/json"
	"errors"
	"fmt"
	"io/fs"
	"maps"
	"os"
	"path/filepath"
	"sync"

	"fairbore/daemon/config"
)

// Draft is what was answered at a station and is not in the configuration: by step and field.
type Draft map[string]map[string]string

// Drafts keeps the drafts of all stations in a file, so that a set-up goes on after a browser was
// closed or the power was off. No passphrase is in it. Its methods may be called from any goroutine.
type Drafts struct {
	Path string
	mu   sync.Mutex
}

// Of returns the draft of a station, "" for one that is new. A file that can't be read is an empty
// draft.
func (d *Drafts) Of(station string) Draft {
	d.mu.Lock()
	defer d.mu.Unlock()
	all, err := d.read()
	if err != nil || all[station] == nil {
		return Draft{}
	}
	return all[station]
}

// Keep keeps the answers of a step. They are on disk when it returns.
func (d *Drafts) Keep(station, step string, text map[string]string) error {
	return d.change(func(all map[string]Draft) {
		if all[station] == nil {
			all[station] = Draft{}
		}
		all[station][step] = text
	})
}

// Add adds answers to those of a step.
func (d *Drafts) Add(station, step string, text map[string]string) error {
	return d.change(func(all map[string]Draft) {
		if all[station] == nil {
			all[station] = Draft{}
		}
		if all[station][step] == nil {
			all[station][step] = map[string]string{}
		}
		maps.Copy(all[station][step], text)
	})
}

// Drop drops the answers of a step, which are in the configuration now.
func (d *Drafts) Drop(station, step string) error {
	return d.change(func(all map[string]Draft) { delete(all[station], step) })
}

// Made says that the new station has a name now: what was answered for it stays with it.
func (d *Drafts) Made(name string) error {
	return d.change(func(all map[string]Draft) {
		if all[""] != nil {
			all[name] = all[""]
			delete(all, "")
		}
	})
}

func (d *Drafts) read() (map[string]Draft, error) {
	all := map[string]Draft{}
	b, err := os.ReadFile(d.Path)
	if errors.Is(err, fs.ErrNotExist) {
		return all, nil
	}
	if err == nil {
		err = json.Unmarshal(b, &all)
	}
	return all, err
}

// change writes the drafts anew. A file that can't be read is kept under another name.
func (d *Drafts) change(do func(all map[string]Draft)) (err error) {
	d.mu.Lock()
	defer d.mu.Unlock()
	all, unread := d.read()
	if unread != nil {
		if err := os.Rename(d.Path, d.Path+".unread"); err != nil {
			return fmt.Errorf("draft of the set-up: %w", errors.Join(unread, err))
		}
		all = map[string]Draft{}
	}
	before, _ := json.Marshal(all)
	do(all)
	b, err := json.Marshal(all)
	if err != nil || string(b) == string(before) {
		return err
	}
	defer func() {
		if err != nil {
			err = fmt.Errorf("draft of the set-up: %w", err)
		}
	}()
	if err := os.MkdirAll(filepath.Dir(d.Path), 0o750); err != nil {
		return err
	}
	return config.WriteFile(d.Path, b, 0o600)
}
