package daemon_test

import (
	"bytes"
	"context"
	"database/sql"
	"encoding/json"
	"errors"
	"net/http"
	"testing"
	"time"

	"fairbore/daemon/daemontest"
	"fairbore/daemon/event"
)

// stall keeps the journal of a rig from committing until go on is called: another connection has
// the right to write, as if the disk took for ever.
func stall(t *testing.T, r *daemontest.Rig) (goOn func()) {
	t.Helper()
	db, err := sql.Open("sqlite", "file:"+r.Path("journal/journal.db")+"?_pragma=busy_timeout(20000)&_txlock=immediate")
	if err != nil {
		t.Fatal(err)
	}
	tx, err := db.BeginTx(context.Background(), nil)
	if err != nil {
		t.Fatal(err)
	}
	goOn = func() { tx.Rollback(); db.Close() }
	t.Cleanup(goOn)
	return goOn
}

// post asks the page for an action, and waits for the answer at most for limit.
func post(t *testing.T, r *daemontest.Rig, a event.Action, limit time.Duration) (code int, reply event.Reply, late bool) {
	t.Helper()
	body, err := json.Marshal(a)
	if err != nil {
		t.Fatal(err)
	}
	ctx, cancel := context.WithTimeout(t.Context(), limit)
	defer cancel()
	req, _ := http.NewRequestWithContext(ctx, http.MethodPost, "http://"+r.Web+"/station/bay2/do", bytes.NewReader(body))
	req.Header.Set("Content-Type", "application/json")
	resp, err := http.DefaultClient.Do(req)
	if errors.Is(err, context.DeadlineExceeded) {
		return 0, reply, true
	}
	if err != nil {
		t.Fatal(err)
	}
	defer resp.Body.Close()
	if err := json.NewDecoder(resp.Body).Decode(&reply); err != nil {
		t.Fatal(err)
	}
	return resp.StatusCode, reply, false
}

// TestRepeatedWhileTheDiskStalls asks for one action again and again while nothing gets to the disk.
// Nobody is told that it is done before it is on disk; then everybody is, and it is done once.
func TestRepeatedWhileTheDiskStalls(t *testing.T) {
	r := daemontest.NewRig(t)
	r.Plug()
	r.Start()
	note := event.Action{ID: "x", Do: "note", Reason: "wiped the bore"}
	goOn := stall(t, r)
	if code, reply, late := post(t, r, note, 500*time.Millisecond); !late {
		t.Fatalf("answered before the disk: %d %+v", code, reply)
	}
	for range 2 {
		code, reply, late := post(t, r, note, time.Minute)
		if late || code != http.StatusAccepted || reply.Done || !reply.Pending || reply.Why.Code != "daemon.not_on_disk" {
			t.Fatalf("repeated while the disk stalls: %d %+v", code, reply)
		}
	}
	goOn()
	if code, reply, _ := post(t, r, note, time.Minute); code != http.StatusOK || !reply.Done || reply.Pending {
		t.Errorf("repeated after the disk went on: %d %+v", code, reply)
	}
	// What was never told as done may be lost with the power, and is then done anew.
	stall(t, r)
	lost := event.Action{ID: "y", Do: "note", Reason: "cleaned the ring"}
	if code, reply, _ := post(t, r, lost, time.Minute); code != http.StatusAccepted {
		t.Errorf("first asked while the disk stalls: %d %+v", code, reply)
	}
	r.Kill()
	if n := notes(t, r.Path("journal/journal.db")); n != 1 {
		t.Errorf("%d notes in the journal, want 1", n)
	}
}

// TestCommandWhileTheDiskStalls sends a command over the broker while nothing gets to the disk. The
// reply says that it is not recorded yet, and a second one follows when it is.
func TestCommandWhileTheDiskStalls(t *testing.T) {
	r, send, replies := commanded(t)
	goOn := stall(t, r)
	send(`{"id":"x","do":"note","reason":"wiped the bore"}`)
	r.Eventually(time.Minute, "a reply", func() bool { return len(replies()) > 0 })
	if first := replies()[0]; first.ID != "x" || first.Done || !first.Pending || first.Why.Code != "daemon.not_on_disk" {
		t.Errorf("while the disk stalls: %+v", first)
	}
	goOn()
	r.Eventually(time.Minute, "a second reply", func() bool { return len(replies()) > 1 })
	if second := replies()[1]; second.ID != "x" || second.Do != "note" || !second.Done || second.Pending {
		t.Errorf("after the disk went on: %+v", second)
	}
	r.Stop()
	if n := notes(t, r.Path("journal/journal.db")); n != 1 {
		t.Errorf("%d notes in the journal, want 1", n)
	}
}
