package main

import (
	"context"
	"io"

	"github.com/rs/zerolog"

	"fairbore/analysis/notation"
	"fairbore/daemon/archive"
	"fairbore/daemon/config"
	"fairbore/daemon/head"
	"fairbore/daemon/wall"
)

type reportCmd struct {
	Journal string `arg:"" help:"The journal." type:"existingfile"`
	Kind    string `help:"part, lot (all parts of a job), first-article, masterings, or study (a gauge study)." enum:"part,lot,first-article,masterings,study" default:"part"`
	Format  string `help:"text, html, pdf, csv or xlsx." enum:"text,html,pdf,csv,xlsx" default:"text"`
	Output  string `help:"A file to write; standard output when left out." short:"o"`
	Key     string `help:"The key that signs the head which the record states, as journal.key_file names it." type:"existingfile"`
	Station string `help:"Of this station only."`
	Job     string `help:"Of this job only."`
	Part    string `help:"Of the part with this serial number."`
	From    moment `help:"At or after, such as 2026-11-25 or 2026-11-25T08:00:00Z."`
	To      moment `help:"Before."`
	Paper   string `help:"a4 or letter." enum:"a4,letter" default:"a4"`
	Lang    string `help:"Language: en, de or es; the shop's when left out." enum:",en,de,es" default:""`
}

// Validate refuses an empty span of time.
func (r *reportCmd) Validate() error { return span(r.From, r.To) }

func (r *reportCmd) Run(ctx context.Context, s *streams) error {
	from, to, err := bounds(ctx, r.Journal, r.From, r.To)
	if err != nil {
		return err
	}
	o := archive.ReportOptions{Kind: r.Kind, Format: r.Format, Station: r.Station, Job: r.Job, Part: r.Part, From: from, To: to, Paper: r.Paper, Language: notation.Spoken(r.Lang)}
	if r.Key != "" {
		signer, err := head.ReadSigner(r.Key)
		if err != nil {
			return err
		}
		o.Sign = signer.Sign
	}
	if show := s.progressBeside("report", r.Output); show != nil {
		o.Progress = func(done, total int) { show(uint64(done), uint64(total)) }
	}
	return s.write(r.Output, r.Journal, func(out io.Writer) error { return archive.Report(ctx, r.Journal, out, o) })
}

type wallCmd struct {
	Broker       brokerAddress `help:"The shop's broker: tcp://host:1883, ssl://host:8883, ws:// or wss://." required:""`
	Site         string        `help:"The site to show; all of them when left out."`
	Listen       address       `help:"Where to serve the page." default:"127.0.0.1:8081"`
	Name         []string      `help:"What the network calls this machine, such as wall.shop.example; addresses and .local names need none."`
	User         string        `help:"At the broker."`
	PasswordFile string        `help:"A file with the password alone." type:"existingfile"`
	CAFile       string        `help:"The shop's own authority, for ssl." name:"ca-file" type:"existingfile"`
	CertFile     string        `help:"A certificate of ours, where the broker wants one." type:"existingfile"`
	KeyFile      string        `help:"Its key." type:"existingfile"`
	ClientID     string        `help:"At the broker; made up when left out." name:"client-id"`
	Lang         string        `help:"Language: en, de or es; a browser may choose another." enum:"en,de,es" default:"en"`
}

// Validate refuses a file with a secret that others may read.
func (w *wallCmd) Validate() error {
	for _, path := range []string{w.PasswordFile, w.KeyFile} {
		if path == "" {
			continue
		}
		if err := config.CheckSecret(path); err != nil {
			return err
		}
	}
	return nil
}

func (w *wallCmd) Run(ctx context.Context, s *streams) error {
	return wall.Serve(ctx, wall.Options{
		Broker: string(w.Broker), User: w.User, PasswordFile: w.PasswordFile, CAFile: w.CAFile, CertFile: w.CertFile, KeyFile: w.KeyFile,
		ClientID: w.ClientID, Site: w.Site, Listen: string(w.Listen), Names: w.Name, Language: notation.Spoken(w.Lang), Version: version(), Log: s.log(zerolog.InfoLevel),
	})
}
