package daemon

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"fmt"

	"fairbore/analysis"
	"fairbore/daemon/event"
)

// command carries out what came over the broker, and replies.
func (d *Daemon) command(station string, payload []byte) {
	a, err := parseAction(payload)
	reply := refused(a, analysis.Phrase{})
	switch {
	case err != nil:
		reply.Why = analysis.Quote(err.Error())
	case a.ID == "":
		reply.Why = analysis.Say("daemon.no_id")
	default:
		a.Source = "broker"
		reply = d.Do(context.Background(), station, a)
	}
	if b, err := json.Marshal(reply); err == nil { // a Reply has nothing that can't be written
		d.pub.Done(station, b)
	}
}

// parseAction reads an action strictly: an unknown field is an error.
func parseAction(payload []byte) (event.Action, error) {
	var a event.Action
	dec := json.NewDecoder(bytes.NewReader(payload))
	dec.DisallowUnknownFields()
	if err := dec.Decode(&a); err != nil {
		return event.Action{ID: a.ID, Do: a.Do}, fmt.Errorf("not a command: %w", err)
	}
	if dec.More() {
		return event.Action{ID: a.ID, Do: a.Do}, errors.New("not a command: there is more after it; send one at a time")
	}
	return a, nil
}
