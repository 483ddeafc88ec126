// Command fairbore watches a bore gauge while a bore is honed by hand.
//
// The exit codes are: 0 all is well; 1 something failed, and the message says what to do; 3 the
// configuration is refused; 4 a journal is not sound; 5 another program uses the gauge or the
// journal; 6 the journal is of another version, or no journal; 64 the command line is wrong. A fault
// of the program itself ends it with 2, the code of the Go runtime.
package main

import (
	"bufio"
	"cmp"
	"context"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"maps"
	"os"
	"os/signal"
	"path/filepath"
	"regexp"
	"runtime"
	"slices"
	"strings"
	"syscall"
	_ "time/tzdata" // a record of another shop needs its time zone, and this machine may have none
	"unicode/utf8"

	"github.com/alecthomas/kong"
	"github.com/rs/zerolog"

	"fairbore/daemon"
	"fairbore/daemon/archive"
	"fairbore/daemon/broker"
	"fairbore/daemon/config"
	"fairbore/daemon/demo"
	"fairbore/daemon/event"
	"fairbore/daemon/head"
	"fairbore/daemon/port"
	"fairbore/daemon/replay"
	"fairbore/daemon/service"
	"fairbore/daemon/setup"
	"fairbore/daemon/store"
	"fairbore/daemon/visit"
)

type cli struct {
	Run        runCmd        `cmd:"" help:"Watch the gauges; without a configuration the page sets one up. This is what fairbore alone does."`
	Demo       demoCmd       `cmd:"" help:"Show a job on a simulated gauge, with nothing to set up."`
	Check      checkCmd      `cmd:"" help:"Check a configuration and say all that is wrong with it."`
	Export     exportCmd     `cmd:"" help:"Write readings or events of a journal as CSV or NDJSON."`
	Verify     verifyCmd     `cmd:"" help:"Check that a journal is as it was written."`
	Backup     backupCmd     `cmd:"" help:"Copy a journal to a folder or a stick, while the daemon records, and check the copy."`
	Restore    restoreCmd    `cmd:"" help:"Put a backup in the place of a journal."`
	Replay     replayCmd     `cmd:"" help:"Play a recording of a gauge and print the events; or score visits that were kept."`
	Report     reportCmd     `cmd:"" help:"Write the record of a part or a job as text, HTML, PDF or CSV."`
	Wall       wallCmd       `cmd:"" help:"Show all stations of a site on a wall screen, from the shop's broker."`
	Plan       planCmd       `cmd:"" help:"Plan a bore before it is cut: limits, press fit, stock, gauge."`
	Study      studyCmd      `cmd:"" help:"Study a gauge or a lot of sizes."`
	Drivers    driversCmd    `cmd:"" help:"List the drivers, or tell the options of one."`
	Hash       hashCmd       `cmd:"" help:"Hash a password, read from standard input, for the page or a user of the broker inside; with --pin the PIN of a person."`
	Listen     listenCmd     `cmd:"" help:"Find out how an unknown gauge talks, and write its configuration."`
	Version    versionCmd    `cmd:"" help:"Print version, commit and date."`
	Licences   licencesCmd   `cmd:"" help:"Print the licences of everything that the program carries."`
	Completion completionCmd `cmd:"" help:"Print what completes commands and flags in a shell."`
	Man        manCmd        `cmd:"" help:"Print the manual page."`

	Built kong.VersionFlag `name:"version" help:"Print version, commit and date."`
}

func main() {
	zerolog.ErrorMarshalFunc = func(err error) any { return inBoth().Error(err) } // the log says texts, not codes
	os.Exit(run(os.Args[1:], os.Stdout, os.Stderr))
}

const about = `The extra hand at the bore gauge.

Exit codes: 0 well; 1 failed, the message says what to do; 2 fault of the program itself; 3 configuration refused; 4 journal not sound; 5 another program has the gauge or the journal; 6 journal of another version, or no journal; 64 wrong command line.`

// usage is the exit code of a wrong command line (EX_USAGE of sysexits(3)). It can't be 2: the Go
// runtime ends a program that panics with 2, and a service manager must tell the two apart.
const usage = 64

// run carries out the command line and returns the exit code.
func run(args []string, stdout, stderr io.Writer) (code int) {
	var c cli
	exited := -1
	parser, err := kong.New(&c, kong.Name("fairbore"), kong.Description(about),
		kong.Writers(stdout, stderr), kong.Exit(func(n int) { exited = n }), kong.UsageOnError(), kong.Vars{"version": built()})
	if err != nil {
		fmt.Fprintln(stderr, "fairbore:", err)
		return 1
	}
	if len(args) == 0 { // begun by itself, as by a double click
		args = []string{"run"}
	}
	k, err := parser.Parse(negatives(args))
	if exited >= 0 {
		return exited
	}
	if err != nil {
		fmt.Fprintln(stderr, "fairbore:", inBoth().Error(err))
		fmt.Fprintln(stderr, "try: fairbore --help")
		return usage
	}
	ctx, stop := signal.NotifyContext(context.Background(), os.Interrupt, syscall.SIGTERM)
	defer stop()
	context.AfterFunc(ctx, stop) // a second signal ends the program at once
	k.BindTo(ctx, (*context.Context)(nil))
	s := &streams{out: &answer{to: stdout}, err: stderr, lines: newLogLines(stderr)}
	err = k.Run(s)
	s.lines.close()
	s.meter.end()
	if err == nil {
		err = s.out.err
	}
	if errors.Is(err, context.Canceled) && ctx.Err() != nil {
		err = errors.New("stopped before it was done")
	}
	if err != nil {
		s.lines.fail(inBoth().Error(err))
		return exitCode(err)
	}
	return 0
}

// negatives joins a negative number to the flag before it, as in --shows "-0.0044 mm". Otherwise
// the number would be taken for a flag.
func negatives(args []string) (out []string) {
	number := regexp.MustCompile(`^-[.,]?[0-9]`)
	for i, a := range args {
		if i > 0 && number.MatchString(a) && strings.HasPrefix(args[i-1], "--") && !strings.Contains(args[i-1], "=") && args[i-1] != "--" {
			out[len(out)-1] += "=" + a
			continue
		}
		out = append(out, a)
	}
	return out
}

func exitCode(err error) int {
	switch {
	case errors.Is(err, config.ErrInvalid):
		return 3
	case errors.Is(err, archive.ErrUnsound):
		return 4
	case errors.Is(err, port.ErrBusy), errors.Is(err, store.ErrInUse):
		return 5
	case errors.Is(err, store.ErrNewer), errors.Is(err, store.ErrEarlier), errors.Is(err, store.ErrNotJournal):
		return 6
	}
	return 1
}

// streams holds the places that a command writes to.
type streams struct {
	out   *answer
	err   io.Writer
	lines *logLines // the lines of the log, which go to err
	meter *meter    // the progress of long work, nil if none is shown
}

// answer writes to standard output. It keeps the first error of writing, so that an answer that was
// cut short is not taken for a complete one.
type answer struct {
	to  io.Writer
	err error
}

func (a *answer) Write(b []byte) (int, error) {
	n, err := a.to.Write(b)
	if a.err == nil {
		a.err = err
	}
	return n, err
}

func (s *streams) log(level zerolog.Level) zerolog.Logger {
	return zerolog.New(s.lines).Level(level).With().Timestamp().Logger()
}

// configFile is the configuration of a command that is about one: an argument, or -c as with the
// commands that are about another file.
type configFile struct {
	File   string `arg:"" optional:"" help:"The configuration." type:"existingfile"`
	Config string `help:"The configuration, in place of the argument." short:"c" placeholder:"FILE" type:"existingfile"`
}

// Validate refuses no configuration and two.
func (c *configFile) Validate() error {
	if (c.File == "") == (c.Config == "") {
		return errors.New("give one configuration: its FILE as the argument, or by -c")
	}
	return nil
}

func (c *configFile) path() string { return cmp.Or(c.File, c.Config) }

// runCmd needs no configuration: without one it takes that of the machine, or else that of the user,
// which need not be there yet.
type runCmd struct {
	File   string        `arg:"" optional:"" type:"existingfile" help:"The configuration; when left out /etc/fairbore/fairbore.yaml, or else the one in your own folder, which the page sets up."`
	Config string        `help:"The configuration, in place of the argument." short:"c" placeholder:"FILE" type:"existingfile"`
	Level  zerolog.Level `help:"How much to log: debug, info, warn, error." default:"info"`
}

// Validate refuses two configurations.
func (r *runCmd) Validate() error {
	if r.File != "" && r.Config != "" {
		return errors.New("give one configuration: its FILE as the argument, or by -c")
	}
	return nil
}

func (r *runCmd) Run(ctx context.Context, s *streams) error {
	o := daemon.Served{Path: cmp.Or(r.File, r.Config), Version: version(), Log: s.log(r.Level)}
	if o.Path == "" {
		var err error
		if o.Path, o.Fresh, err = ownConfig(machineConfig); err != nil {
			return err
		}
	}
	o.Started = func(page string) {
		if page != "" && !service.IsJournal(s.out.to) {
			fmt.Fprintln(s.out, "The page is at", page)
		}
	}
	return daemon.Serve(ctx, o)
}

// machineConfig is the configuration of a machine, as the package installs it.
const machineConfig = "/etc/fairbore/fairbore.yaml"

// ownConfig returns the configuration of the machine or, where there is none, that of the user, with
// what a new one begins with: the journal in the user's folder for what programs keep (XDG Base
// Directory Specification 0.8).
func ownConfig(machine string) (path string, fresh []config.Change, err error) {
	if _, err := os.Stat(machine); !errors.Is(err, fs.ErrNotExist) {
		return machine, nil, nil // one that can't be read is told
	}
	folder, err := os.UserConfigDir()
	if err != nil {
		return "", nil, fmt.Errorf("your own folder for configurations is not known: give the configuration by -c FILE: %w", err)
	}
	state := os.Getenv("XDG_STATE_HOME")
	if !filepath.IsAbs(state) {
		home, err := os.UserHomeDir()
		if err != nil {
			return "", nil, fmt.Errorf("your own folder for the journal is not known: give the configuration by -c FILE: %w", err)
		}
		state = filepath.Join(home, ".local", "state")
	}
	state = filepath.Join(state, "fairbore")
	if err := os.MkdirAll(state, 0o700); err != nil {
		return "", nil, err
	}
	return filepath.Join(folder, "fairbore", "fairbore.yaml"), []config.Change{
		{Key: []string{"journal", "path"}, Value: filepath.Join(state, "fairbore.db")},
		{Key: []string{"recordings", "dir"}, Value: filepath.Join(state, "recordings")},
	}, nil
}

type demoCmd struct {
	Once    bool    `help:"Play one part to its acceptance, print its record and end."`
	Speed   float64 `help:"Speed of the demo and its clock (1 = real time)." default:"3"`
	Job     string  `help:"The job to play: J-4107, J-4112, J-4120 or J-4131; all of them, each at its own station, when left out."`
	Listen  address `help:"Where to serve the page." default:"127.0.0.1:8080"`
	Mqtt    address `help:"Where the embedded broker listens." default:"127.0.0.1:1883"`
	Capture string  `help:"How readings are captured: button, or turning (hands-free, up to speed 4); the latter where it can be." enum:",button,turning" default:""`
	Seed    uint64  `help:"Of the simulated hand and gauge; 0 takes one from the clock."`
	Keep    string  `help:"Leave journal and configuration in this folder, to try verify, export and report on."`
}

func (d *demoCmd) Run(ctx context.Context, s *streams) error {
	return demo.Play(ctx, demo.Options{
		Once: d.Once, Speed: d.Speed, Job: d.Job, Listen: string(d.Listen), MQTT: string(d.Mqtt), Capture: d.Capture, Seed: d.Seed, Keep: d.Keep, Version: version(),
		Out: s.out, Steps: terminal(s.out.to), Log: s.log(zerolog.WarnLevel),
	})
}

type checkCmd struct{ configFile }

func (c *checkCmd) Run(s *streams) error {
	cfg, err := config.Load(c.path())
	if err != nil {
		return err
	}
	if err := setup.Check(cfg); err != nil {
		return err
	}
	for _, open := range cfg.Exposed() {
		fmt.Fprintln(s.err, "fairbore: warning:", open)
	}
	if at, err := os.Stat(c.path()); err == nil && runtime.GOOS != "windows" {
		if open := cfg.Readable(c.path(), at.Mode()); open != nil {
			fmt.Fprintln(s.err, "fairbore: warning:", open)
		}
	}
	fmt.Fprintf(s.out, "%s: good; %s, %s, %s, %s\n", c.path(), count(len(cfg.Stations), "station"), count(len(cfg.Gauges), "gauge"), count(len(cfg.Rings), "ring"), count(len(cfg.Jobs), "job"))
	if len(cfg.Stations) == 0 {
		fmt.Fprintln(s.out, "nothing is set up yet: fairbore run serves a page that leads through it")
	}
	return nil
}

func count(n int, what string) string {
	if n != 1 {
		what += "s"
	}
	return fmt.Sprintf("%d %s", n, what)
}

type exportCmd struct {
	Journal string `arg:"" help:"The journal." type:"existingfile"`
	Format  string `help:"csv or xlsx (readings), or ndjson (all events)." enum:"csv,xlsx,ndjson" default:"csv"`
	Output  string `help:"A file to write; standard output when left out." short:"o"`
	Station string `help:"Of this station only."`
	Job     string `help:"Of this job only."`
	Part    string `help:"Of the part with this serial number only."`
	From    moment `help:"At or after, such as 2026-11-25 or 2026-11-25T08:00:00Z."`
	To      moment `help:"Before."`
	Guard   bool   `help:"Keep a spreadsheet from taking text for a formula, by an apostrophe before it; for a program --no-guard leaves text as it is." default:"true" negatable:""`
}

// Validate refuses an empty span of time.
func (e *exportCmd) Validate() error { return span(e.From, e.To) }

func (e *exportCmd) Run(ctx context.Context, s *streams) (err error) {
	from, to, err := bounds(ctx, e.Journal, e.From, e.To)
	if err != nil {
		return err
	}
	o := store.ExportOptions{Format: store.Format(e.Format), Guard: e.Guard, Filter: store.Filter{Station: e.Station, Job: e.Job, Part: e.Part, From: from, To: to}}
	o.Progress = s.progressBeside("export", e.Output)
	got := &tally{}
	err = s.write(e.Output, e.Journal, func(out io.Writer) error {
		got.Writer = out
		return archive.Export(ctx, e.Journal, got, o)
	})
	if err == nil && e.Format != "xlsx" && (got.lines == 0 || got.lines == 1 && e.Format == "csv") {
		fmt.Fprintln(s.err, "fairbore: nothing in the journal matches; fairbore report --kind lot names its jobs and parts")
	}
	return err
}

type verifyCmd struct {
	Journal string `arg:"" help:"The journal." type:"existingfile"`
	Hash    string `help:"Look for this chain hash too, which a record ends with."`
	Head    string `help:"Check that the journal holds this head too: the JSON of one as it was published, or a file with it."`
	Record  string `help:"Check that the journal holds the head that this record states: text, HTML, PDF or CSV." type:"existingfile"`
	Key     string `help:"The head must be signed by this public key." type:"existingfile"`
}

// Validate refuses a key with nothing to check by it.
func (v *verifyCmd) Validate() error {
	if v.Key != "" && v.Head == "" && v.Record == "" {
		return errors.New("--key is for --head and --record")
	}
	return nil
}

func (v *verifyCmd) Run(ctx context.Context, s *streams) error {
	var key *head.Public
	if v.Key != "" {
		p, err := head.ReadPublic(v.Key)
		if err != nil {
			return err
		}
		key = &p
	}
	kept := map[string]event.Head{} // the heads to look for, by where they come from
	for what, from := range map[string]string{"head": v.Head, "record": v.Record} {
		if from == "" {
			continue
		}
		h, err := readHead(from)
		if err != nil {
			return fmt.Errorf("--%s: %w", what, err)
		}
		kept[what] = h
	}
	if err := archive.Verify(ctx, v.Journal, v.Hash, s.out, s.progress("verify")); err != nil {
		return err
	}
	for _, what := range slices.Sorted(maps.Keys(kept)) {
		h := kept[what]
		if err := archive.Holds(ctx, v.Journal, what, &h, key, s.out); err != nil {
			return err
		}
	}
	return nil
}

// readHead reads a head from a file, or from text that is the JSON of one.
func readHead(from string) (event.Head, error) {
	if strings.HasPrefix(strings.TrimSpace(from), "{") {
		return head.Read([]byte(from))
	}
	text, err := os.ReadFile(from)
	if err != nil {
		return event.Head{}, err
	}
	h, err := head.Read(text)
	if err != nil {
		err = fmt.Errorf("%s %w", from, err)
	}
	return h, err
}

type replayCmd struct {
	Recording []string `arg:"" help:"The recording; with --score files of visits, or the folder of recordings."`
	Config    string   `help:"The configuration it was made with; not with --score." short:"c" placeholder:"FILE" type:"existingfile"`
	Station   string   `help:"The station it was made at; the first when left out."`
	Job       string   `help:"The job; the station's when left out."`
	Part      string   `help:"The serial number; counted when left out."`
	Master    bool     `help:"The first readings are of the job's ring."`

	Score  bool   `help:"Say what this version makes of visits that were kept, beside what was made of them." group:"Score"`
	Format string `help:"Of the score: text, or ndjson, a line for each visit, gauge and all." enum:"text,ndjson" default:"text" group:"Score"`
}

// Validate refuses paths that don't exist and flags that don't go together.
func (r *replayCmd) Validate() error {
	for _, p := range r.Recording {
		if _, err := os.Stat(p); err != nil {
			return err
		}
	}
	switch {
	case r.Score && (r.Config != "" || r.Station != "" || r.Job != "" || r.Part != "" || r.Master):
		return errors.New("--score reads everything from the files of the visits: leave out --config, --station, --job, --part and --master")
	case r.Score:
		return nil
	case r.Format != "text":
		return errors.New("--format goes with --score: events are always NDJSON")
	case r.Config == "":
		return errors.New("a replay needs the configuration of the recording: give it by -c FILE")
	case len(r.Recording) > 1:
		return errors.New("more than one recording: give one; --score takes many visits")
	}
	return noFolder(r.Recording[0], "a recording; to score the visits in it, use --score")
}

func (r *replayCmd) Run(ctx context.Context, s *streams) error {
	if r.Score {
		return visit.Score(ctx, r.Recording, s.out, visit.ScoreOptions{Lines: r.Format == "ndjson", Progress: s.progressBeside("score", "")})
	}
	cfg, err := config.Load(r.Config)
	if err != nil {
		return err
	}
	return replay.Run(ctx, r.Recording[0], s.out, replay.Options{Config: cfg, Station: r.Station, Job: r.Job, Part: r.Part, Master: r.Master, Progress: s.progressBeside("replay", ""), Log: s.log(zerolog.WarnLevel)})
}

type hashCmd struct {
	PIN bool `name:"pin" help:"Hash the PIN of a person: 6 to 12 digits."`
}

func (h hashCmd) Run(ctx context.Context, s *streams) error {
	return hashPassword(&typing{ctx: ctx, from: os.Stdin}, s.out, h.PIN)
}

// PINs have 6 to 12 digits. The budget of guesses at the page is 10 a minute, so that somebody who
// tries day and night finds one of 6 digits in a month at the mean. Whoever reads the hash finds it in
// a day: the file of the configuration must not be read by others.
const (
	leastPIN = 6
	mostPIN  = 12
)

// hashPassword reads a password from one line and writes its hash for the configuration.
func hashPassword(in io.Reader, out io.Writer, pin bool) error {
	line, err := bufio.NewReader(io.LimitReader(in, 1024)).ReadString('\n')
	if err != nil && !errors.Is(err, io.EOF) {
		return err
	}
	password := strings.TrimRight(line, "\r\n")
	if digits := strings.Trim(password, "0123456789") == ""; pin && (!digits || len(password) < leastPIN || len(password) > mostPIN) {
		return fmt.Errorf("a PIN has %d to %d digits and nothing else", leastPIN, mostPIN)
	}
	if n := utf8.RuneCountInString(strings.TrimSpace(password)); !pin && n < broker.LeastPassword {
		return fmt.Errorf("the password has %d characters: give one of %d or more, such as four words that don't belong together", n, broker.LeastPassword)
	}
	hash, err := broker.Hash(password)
	if err != nil {
		return err
	}
	_, err = fmt.Fprintln(out, hash)
	return err
}
