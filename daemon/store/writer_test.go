package store

import "testing"

func TestBatcherDelaysSmallGroupsWithoutAPause(t *testing.T) {
	var b batcher
	play := func(sizes ...int) (delayed int) {
		for _, n := range sizes {
			if b.delay(n) > 0 {
				delayed++
			}
		}
		return delayed
	}
	if n := play(1, 2, 3, 1); n != 0 {
		t.Errorf("%d of the first four groups were delayed", n)
	}
	if n := play(1, 9, 9); n != 3 {
		t.Errorf("%d of three more groups were delayed, want all", n)
	}
	if n := play(smallGroup, 1, 1); n != 0 {
		t.Errorf("%d groups were delayed after a large one", n)
	}
}
