package store

import (
	"errors"
	"strings"
	"testing"
)

// The hash of a row equals the hash that verify computes from all rows up to that row. A reader can
// get it while the journal is written to.
func TestHead(t *testing.T) {
	cfg := config(t)
	r := start(t, cfg)
	r.append(t, jobEvent("bay2", "J-4112"), reading("bay2", "J-4112", "0001", 1))
	r.settle(t, 2)
	v, err := View(t.Context(), cfg.Path)
	if err != nil {
		t.Fatal(err)
	}
	defer v.Close()
	first, err := v.Head(t.Context(), 1)
	if err != nil {
		t.Fatal(err)
	}
	second, err := v.Head(t.Context(), 2)
	if err != nil {
		t.Fatal(err)
	}
	if len(first.Hash) != 64 || first.Hash == second.Hash || second.Hash != mustVerify(t, cfg.Path).Head {
		t.Errorf("heads %v and %v, verify says %s", first, second, mustVerify(t, cfg.Path).Head)
	}
	for want, h := range map[uint64]string{1: first.Hash, 2: strings.ToUpper(second.Hash)} {
		if seq, err := v.Find(t.Context(), h); seq != want || err != nil {
			t.Errorf("hash %s is found at row %d, %v, want %d", h, seq, err, want)
		}
	}
	if _, err := v.Find(t.Context(), strings.Repeat("ab", 32)); !errors.Is(err, ErrNoRow) {
		t.Errorf("a hash of no row: %v", err)
	}
	if _, err := v.Find(t.Context(), "ab"); err == nil || errors.Is(err, ErrNoRow) {
		t.Errorf("no hash: %v", err)
	}
	for _, seq := range []uint64{0, 3} {
		if h, err := v.Head(t.Context(), seq); err == nil {
			t.Errorf("row %d has the head %v", seq, h)
		}
	}
	mustStop(t, r)
}
