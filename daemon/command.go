package daemon

import (
	"context"
	"encoding/json"

	"fairbore/analysis"
	"fairbore/analysis/notation"
	"fairbore/daemon/event"
)

// command carries out a command that came over the broker, and sends the reply.
func (d *Daemon) command(station string, payload []byte) {
	a, err := event.ParseAction(payload)
	reply := refused(a, analysis.Phrase{})
	switch {
	case err != nil:
		reply.Why = analysis.Reason(err)
	case a.ID == "":
		reply.Why = analysis.Say("daemon.no_id")
	default:
		a.Source = "broker"
		reply = d.Do(context.Background(), station, a)
		if reply.Pending { // a second reply follows once the action is on disk
			done := event.Reply{ID: reply.ID, Do: reply.Do, Done: true}
			defer d.pending.then(station, a.ID, func() { d.reply(station, done) })
		}
	}
	d.reply(station, reply)
}

// reply sends the reply to a command.
func (d *Daemon) reply(station string, reply event.Reply) {
	notation.Format{}.Fill(&reply)                 // a broker's clients need not have the catalogue
	if b, err := json.Marshal(reply); err == nil { // a Reply can always be encoded
		d.pub.Done(station, b)
	}
}
