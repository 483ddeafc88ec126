package daemon

import (
	"bytes"
	"context"
	"crypto/rand"
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"fmt"
	"io/fs"
	"net"
	"os"
	"path/filepath"
	"sync"
	"syscall"

	"fairbore/analysis"
	"fairbore/daemon/config"
	"fairbore/daemon/event"
	"fairbore/daemon/setup"
	"fairbore/daemon/store"
	"fairbore/daemon/web"
)

// file is the file of the configuration. It outlives a [Daemon], which begins anew for what can't be
// taken up while it runs.
type file struct {
	path string

	mu     sync.Mutex // held while the file is changed
	disk   []byte     // the text as it was read or written; nil: there is no file yet
	text   []byte     // the same, or what a new file begins with
	cfg    *config.Config
	former *former // before the last change, until that has proved to run
	undone error   // why the last change was taken back
}

// former is what a file had before a change.
type former struct {
	text []byte
	cfg  *config.Config
}

// openFile reads the file of a configuration. If there is none, fresh is what a new one begins with.
func openFile(path string, fresh []config.Change) (*file, error) {
	f := &file{path: path}
	text, err := os.ReadFile(path)
	if errors.Is(err, fs.ErrNotExist) && fresh != nil {
		f.text, f.cfg, err = config.Changed(filepath.Base(path), nil, fresh...)
		return f, err
	}
	if err != nil {
		return nil, fmt.Errorf("read configuration: %w", err)
	}
	f.disk, f.text = text, text
	f.cfg, err = config.Parse(filepath.Base(path), text)
	return f, err
}

// inForce returns the configuration of the file, whether it was changed so that everything begins
// anew, and whether the page is to have the same address then.
func (f *file) inForce() (cfg *config.Config, changed, sameListen bool) {
	f.mu.Lock()
	defer f.mu.Unlock()
	return f.cfg, f.former != nil, f.former != nil && f.former.cfg.Web.Listen == f.cfg.Web.Listen
}

func hashOf(text []byte) string {
	if text == nil {
		return ""
	}
	sum := sha256.Sum256(text)
	return hex.EncodeToString(sum[:])
}

// changed returns the text with changes made and what it then says, or everything for which the
// program would refuse it.
func (f *file) changed(changes []config.Change) ([]byte, *config.Config, error) {
	text, cfg, err := config.Changed(filepath.Base(f.path), f.text, changes...)
	if err != nil {
		return nil, nil, err
	}
	return text, cfg, f.runs(cfg)
}

// runs returns everything for which the program would not run a configuration.
func (f *file) runs(cfg *config.Config) error {
	faults := append(cfg.Exposed(), setup.Check(cfg))
	if cfg.Web.Listen != f.cfg.Web.Listen && cfg.Web.Listen != "" {
		host, port, _ := net.SplitHostPort(cfg.Web.Listen) // it was checked
		if _, mine, _ := net.SplitHostPort(f.cfg.Web.Listen); port == mine {
			port = "0" // ours: only whether the address is one of this machine
		}
		ln, err := net.Listen("tcp", net.JoinHostPort(host, port))
		if err == nil {
			err = ln.Close()
		}
		if err != nil {
			faults = append(faults, &config.Fault{File: filepath.Base(f.path), Key: "web.listen", Err: err})
		}
	}
	return errors.Join(faults...)
}

// notWritten says why a file could not be written, and what to do.
func notWritten(path string, err error) error {
	switch {
	case errors.Is(err, syscall.ENOSPC), errors.Is(err, syscall.EDQUOT):
		return analysis.Say("change.full", path)
	case errors.Is(err, fs.ErrPermission), errors.Is(err, syscall.EROFS):
		return analysis.Say("change.forbidden", filepath.Dir(path), err)
	}
	return analysis.Say("change.not_written", path, err)
}

// Configure changes the file of the configuration, records who did, and takes it up: at once, or by
// beginning anew. A job in progress keeps its limits. The hash is that of the text which the changes
// are meant for. If it fails, nothing has changed.
func (d *Daemon) Configure(ctx context.Context, by web.Who, hash string, changes ...config.Change) error {
	f := d.file
	f.mu.Lock()
	defer f.mu.Unlock()
	if d.leaving {
		return analysis.Say("change.anew")
	}
	if hash != hashOf(f.text) {
		return analysis.Say("change.edited")
	}
	text, cfg, err := f.changed(changes)
	if err != nil || f.disk != nil && bytes.Equal(text, f.disk) {
		return err
	}
	if s := d.journal.Status(); !s.Recording {
		return analysis.Say("change.not_recording", d.notOnDisk())
	}
	if err := config.Replace(f.path, f.disk, text); errors.Is(err, config.ErrEdited) {
		if err := d.readAgain(ctx); err != nil {
			return analysis.Say("change.edited_faulty", err)
		}
		return analysis.Say("change.edited")
	} else if err != nil {
		return notWritten(f.path, err)
	}
	d.tookIn(ctx, by, text, cfg)
	return nil
}

// tookIn records that the file has another text, and takes that up. The caller holds the file.
func (d *Daemon) tookIn(ctx context.Context, by web.Who, text []byte, cfg *config.Config) {
	f := d.file
	d.onDisk(ctx, d.record(ctx, by, config.Differ(f.text, text), hashOf(f.disk), hashOf(text)))
	was := former{f.text, f.cfg}
	f.disk, f.text, f.cfg, f.former, f.undone = text, text, cfg, nil, nil
	d.log.Info().Str("file", f.path).Str("by", by.Source).Msg("configuration taken up")
	if setup.Anew(d.cfg, cfg) {
		f.former, d.leaving = &was, true
		d.leave(errAnew)
		return
	}
	d.configured.Store(cfg)
	ctx, cancel := context.WithTimeout(ctx, stopIn)
	defer cancel()
	for _, s := range d.stations {
		for i := range cfg.Stations {
			if cfg.Stations[i].Name != s.name {
				continue
			}
			set := d.settingsOf(cfg, &cfg.Stations[i])
			select {
			case s.settings <- set:
				d.hub.Configure(set)
			case <-ctx.Done():
				d.log.Error().Str("station", s.name).Msg("the station did not take up its settings in time: it has them after a restart")
			}
		}
	}
}

// unplaced is the station of what is recorded while there is none.
const unplaced = "configuration"

// record records that the file was changed, at each station. It returns what is closed once that is
// on disk, nil if it is already.
func (d *Daemon) record(ctx context.Context, by web.Who, keys []string, before, after string) <-chan struct{} {
	c := event.FileChange{By: by.Proof, Keys: keys, Before: before, After: after}
	if n := len(keys); n > event.MostKeys {
		c.Keys, c.More = keys[:event.MostKeys], n-event.MostKeys
	}
	e := event.Event{Station: unplaced, At: d.Now(), Kind: event.FileChanged, Source: by.Source, Command: rand.Text(), Person: by.Person, File: &c}
	var events []event.Event
	for _, s := range d.stations {
		set, _ := d.hub.Settings(s.name)
		e.Station, e.Simulated = s.name, set.Simulated
		events = append(events, e)
	}
	if events == nil {
		events = append(events, e)
	}
	d.pending.begin(events)
	ctx, cancel := context.WithTimeout(ctx, stopIn)
	defer cancel()
	if err := d.journal.Append(ctx, events); err != nil {
		d.log.Error().Err(err).Msg("the change of the configuration is not recorded")
		return nil
	}
	return d.pending.recorded(e.Station, e.Command)
}

// onDisk waits until something is recorded.
func (d *Daemon) onDisk(ctx context.Context, recorded <-chan struct{}) {
	if recorded == nil {
		return
	}
	ctx, cancel := context.WithTimeout(ctx, stopIn)
	defer cancel()
	select {
	case <-recorded:
	case <-ctx.Done():
		d.log.Error().Msg("the change of the configuration is not on disk yet")
	}
}

// noticed records that the file is another than the one that was recorded last: somebody has written
// in it while the program was down, or the power went before it was recorded.
func (d *Daemon) noticed(ctx context.Context) error {
	f := d.file
	f.mu.Lock()
	defer f.mu.Unlock()
	for r, err := range d.journal.Backward(ctx, store.Filter{Kinds: []event.Kind{event.FileChanged}, Limit: 1}) {
		if err != nil {
			return err
		}
		if is := hashOf(f.disk); r.File != nil && r.File.After != is {
			by := web.Who{Source: "hand"}
			if f.undone != nil {
				by.Source = "daemon"
			}
			d.record(ctx, by, nil, r.File.After, is)
		}
	}
	return nil
}

// reload reads the file again, after somebody wrote in it.
func (d *Daemon) reload(ctx context.Context) {
	d.file.mu.Lock()
	defer d.file.mu.Unlock()
	if err := d.readAgain(ctx); err != nil {
		d.log.Error().Err(err).Msg("configuration not reloaded; the one before stays in force")
		return
	}
	d.log.Info().Str("file", d.file.path).Msg("configuration reloaded")
}

// readAgain reads the file again and takes it up, unless it has faults. The caller holds the file.
func (d *Daemon) readAgain(ctx context.Context) error {
	f := d.file
	text, err := os.ReadFile(f.path)
	if err != nil {
		return fmt.Errorf("read configuration: %w", err)
	}
	cfg, err := config.Parse(filepath.Base(f.path), text)
	if err != nil {
		return err
	}
	if err := f.runs(cfg); err != nil {
		return err
	}
	if !bytes.Equal(text, f.disk) && !d.leaving {
		d.tookIn(ctx, web.Who{Source: "hand"}, text, cfg)
	}
	return nil
}

// undo puts back the text before a change with which the program does not run.
func (f *file) undo(why error) error {
	f.mu.Lock()
	defer f.mu.Unlock()
	was := f.former
	f.former, f.undone = nil, why
	if err := config.Replace(f.path, f.disk, was.text); err != nil {
		return notWritten(f.path, err)
	}
	f.disk, f.text, f.cfg = was.text, was.text, was.cfg
	return nil
}

// changing is the configuration as the pages have it.
type changing struct{ d *Daemon }

// Configured implements [web.Setup].
func (c changing) Configured() (text []byte, hash string, undone error) {
	f := c.d.file
	f.mu.Lock()
	defer f.mu.Unlock()
	return f.text, hashOf(f.text), f.undone
}

// Change implements [web.Setup].
func (c changing) Change(ctx context.Context, by web.Who, hash string, changes []config.Change) error {
	return c.d.Configure(ctx, by, hash, changes...)
}

// Anew implements [web.Setup].
func (c changing) Anew() bool {
	f := c.d.file
	f.mu.Lock()
	defer f.mu.Unlock()
	return c.d.leaving
}

// Check implements [web.Setup].
func (c changing) Check(changes []config.Change) error {
	f := c.d.file
	f.mu.Lock()
	defer f.mu.Unlock()
	_, _, err := f.changed(changes)
	return err
}
