package main

import (
	"context"
	"fmt"
	"path/filepath"
	"strings"
	"time"

	"fairbore/daemon/archive"
	"fairbore/daemon/store"
)

type backupCmd struct {
	Journal string `arg:"" help:"The journal; a daemon may go on recording to it." type:"existingfile"`
	Folder  string `arg:"" help:"The folder to put the backup in, such as a stick; older backups there stay."`
	Site    string `help:"In the name of the backup; the journal's own name when left out."`
}

func (b *backupCmd) Run(ctx context.Context, s *streams) error {
	name := b.Site
	if name == "" {
		name = strings.TrimSuffix(filepath.Base(b.Journal), filepath.Ext(b.Journal))
	}
	r, err := store.Backup(ctx, b.Journal, b.Folder, name, time.Now(), s.progress("backup"))
	if err == nil {
		err = archive.Found(&r, s.out)
	}
	if err != nil {
		return err
	}
	fmt.Fprintf(s.out, "backup  %s\n", r.Path)
	return nil
}

type restoreCmd struct {
	Backup  string `arg:"" help:"The backup." type:"existingfile"`
	Journal string `arg:"" help:"Where the journal is to be, as journal.path in the configuration says."`
	Aside   bool   `help:"Move a journal that is there aside; nothing is erased."`
}

func (c *restoreCmd) Run(ctx context.Context, s *streams) error {
	r, moved, err := store.Restore(ctx, c.Backup, c.Journal, c.Aside, time.Now(), s.progress("restore"))
	if err == nil {
		err = archive.Found(&r, s.out)
	}
	if err != nil {
		return err
	}
	if moved != "" {
		fmt.Fprintf(s.out, "aside   %s\n", moved)
	}
	fmt.Fprintf(s.out, "journal restored to %s; run fairbore check with the configuration, then start fairbore\n", r.Path)
	fmt.Fprintln(s.out, "What was recorded after the backup is not in it. A system that keeps events by their number may take the next ones for those that it has.")
	return nil
}
