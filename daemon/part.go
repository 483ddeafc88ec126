package daemon

import (
	"context"
	"errors"
	"fmt"
	"time"
)

// part is something that runs beside the stations.
type part struct {
	name   string
	ctx    context.Context
	cancel context.CancelFunc
	done   chan struct{}
	err    error
}

// start runs a part until it is stopped or fails.
func start(name string, run func(context.Context) error) *part {
	p := &part{name: name, done: make(chan struct{})}
	p.ctx, p.cancel = context.WithCancel(context.Background())
	go func() {
		defer close(p.done)
		p.err = run(p.ctx)
	}()
	return p
}

// stop ends the part and waits for it, at most for limit if that is not 0.
func (p *part) stop(limit time.Duration) error {
	p.cancel()
	var late <-chan time.Time
	if limit > 0 {
		late = time.After(limit)
	}
	select {
	case <-p.done:
	case <-late:
		return fmt.Errorf("%s: did not stop within %s", p.name, limit)
	}
	if p.err != nil && !errors.Is(p.err, context.Canceled) {
		return fmt.Errorf("%s: %w", p.name, p.err)
	}
	return nil
}
