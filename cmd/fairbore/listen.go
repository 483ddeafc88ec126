package main

import (
	"bufio"
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"time"

	"github.com/rs/zerolog"

	"fairbore/daemon/listen"
	"fairbore/daemon/port"
	"fairbore/daemon/store"
)

type listenCmd struct {
	Port   string        `arg:"" optional:"" help:"The port; the serial lines of this machine are listed when left out. A serial line, best by its name under /dev/serial/by-id; tcp://host:port, rfc2217://host:port or an input device."`
	Ask    bool          `help:"Allow requests, for a gauge that speaks only when asked: CR, ?, SCPI queries, Modbus reads. Use it only where nothing but a gauge can be at the other end."`
	Out    string        `help:"Write the configuration to this file, and a recording beside it." short:"o"`
	Record string        `help:"Write what was heard to this file, also where it was not made out."`
	Name   string        `help:"The name of the gauge and of its station." default:"new-gauge"`
	Shows  []string      `help:"What the gauge's display shows, such as \"-0.0044 mm\"; use it without a keyboard. May be given again." sep:"none"`
	For    time.Duration `help:"How long to wait for the gauge with each setting of the line (3s; 30s where somebody can type)."`
	Baud   int           `help:"The speed; the usual ones are tried when left out."`
	Data   int           `help:"Data bits." default:"8"`
	Parity string        `help:"none, even, odd, mark or space." default:"none"`
	Stop   int           `help:"Stop bits." default:"1"`
}

// Validate refuses options that can't work.
func (l *listenCmd) Validate() error {
	switch {
	case l.For != 0 && l.For < minListen:
		return fmt.Errorf("--for %v is out of range: give at least %v", l.For, minListen)
	case l.Baud < 0:
		return fmt.Errorf("--baud %d is not valid: give the gauge's speed, such as 9600", l.Baud)
	case l.Port == "":
		return nil
	}
	c := port.Config{Name: l.Name, Device: l.Port}
	c.Line.Baud, c.Line.Data, c.Line.Parity, c.Line.Stop = 9600, 8, "none", 1 // usual values, only for this check
	return errors.Join(c.Check()...)
}

// minListen is the shortest time that is enough to hear a gauge.
const minListen = 100 * time.Millisecond

func (l *listenCmd) Run(ctx context.Context, s *streams) error {
	if l.Port == "" {
		return listen.Lines(s.out)
	}
	for _, out := range []string{l.Out, l.Record} {
		if err := store.CheckOutput(out, ""); err != nil {
			return err
		}
	}
	o := listen.Options{
		Settings: listen.Settings{Device: l.Port, Ask: l.Ask, For: l.For, Log: s.log(zerolog.ErrorLevel)},
		Name:     l.Name, Shows: l.Shows, Out: l.Out, Record: l.Record, Print: s.out,
	}
	if l.Baud == 0 && (l.Data != 8 || l.Parity != "none" || l.Stop != 1) {
		return errors.New("--data, --parity and --stop go with --baud; without it the usual settings are tried")
	}
	if l.Baud > 0 {
		o.Line.Baud, o.Line.Data, o.Line.Parity, o.Line.Stop = l.Baud, l.Data, l.Parity, l.Stop
	}
	if info, err := os.Stdin.Stat(); err == nil && info.Mode()&os.ModeCharDevice != 0 && len(l.Shows) == 0 {
		o.Answers = answers(os.Stdin)
	}
	return listen.Run(ctx, o)
}

// answers returns a channel of the lines that a person types. Its goroutine reads until the input
// or the program ends.
func answers(in io.Reader) <-chan string {
	lines := make(chan string)
	go func() {
		defer close(lines)
		for s := bufio.NewScanner(in); s.Scan(); {
			lines <- s.Text()
		}
	}()
	return lines
}
