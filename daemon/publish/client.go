package publish

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"strings"
	"time"

	"fairbore/analysis"
	"fairbore/daemon/mqtt"
)

// connect makes one attempt to connect.
func (p *Publisher) connect(ctx context.Context) (*link, error) {
	c := &p.cfg
	if c.Local != nil {
		return newLink(p, local{c.Local}, nil), nil
	}
	will, err := json.Marshal(c.daemonAlive(Offline, CutOff, time.Now()))
	if err != nil {
		return nil, err
	}
	out := &batch{limit: p.dialer.Waits.Write}
	conn, err := p.dialer.Dial(ctx, &mqtt.Will{Topic: Topic(c.Site, c.daemonLevel(), LeafAlive), Payload: will}, out.wrap)
	if err != nil {
		return nil, err
	}
	return newLink(p, &remote{out, conn}, conn.Lost), nil
}

// subscribe subscribes to the commands of all stations. If the broker refuses, the connection stays
// and the status says so.
func (p *Publisher) subscribe(ctx context.Context, to carrier) (refused analysis.Phrase, err error) {
	topics := make([]string, len(p.cfg.Stations))
	for i, s := range p.cfg.Stations {
		topics[i] = Topic(p.cfg.Site, s, LeafDo)
	}
	denied, err := to.Subscribe(ctx, topics, 1, p.arrived)
	if errors.Is(err, mqtt.ErrNoAnswer) {
		err = analysis.Say("mqtt.commands_unanswered")
	}
	if len(denied) > 0 {
		refused = analysis.Say("mqtt.commands_refused", denied[0])
	}
	return refused, err
}

// arrived takes in a command. It runs on a goroutine of the library or the broker, which must never
// wait, so a command that can't be queued is refused and counted. A retained command is refused
// too, since it would be carried out again after each connection.
func (p *Publisher) arrived(topic string, payload []byte, retained bool) {
	levels := strings.Split(topic, "/")
	if retained || len(payload) > maxCommand || len(levels) != 5 {
		p.count(&p.status.RefusedCommands)
		return
	}
	select {
	case p.commands <- command{levels[3], bytes.Clone(payload)}:
	default:
		p.count(&p.status.RefusedCommands)
	}
}
