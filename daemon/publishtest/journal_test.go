package publishtest

import (
	"strconv"
	"testing"
)

func TestRecordsComeInOrder(t *testing.T) {
	j := &Journal{}
	j.Add("bay", 3)
	recs, err := j.RawRecords(t.Context(), 1, 10)
	if err != nil || len(recs) != 2 || recs[0].Seq != 2 {
		t.Fatalf("after 1: %v %v", recs, err)
	}
	if s := strconv.FormatUint(j.Last(), 10); s != "3" {
		t.Fatal(s)
	}
}
