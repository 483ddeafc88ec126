package store

import (
	"cmp"
	"context"
	"database/sql"
	"fmt"
	"slices"
	"strings"
	"time"

	"fairbore/daemon/event"
)

// PartSummary is an entry of a list of parts. There is one for each time that a part was begun, so
// a part that was begun twice is listed twice.
type PartSummary struct {
	Seq      uint64         `json:"seq"` // number of the event that began the part
	Station  string         `json:"station"`
	Job      string         `json:"job"`
	Part     string         `json:"part"`
	First    time.Time      `json:"first"`            // when the part was begun, in UTC
	Last     time.Time      `json:"last"`             // time of its newest reading or verdict, else First
	Readings int            `json:"readings"`         // how many were taken, void ones included
	Verdict  *event.Verdict `json:"result,omitempty"` // the newest result of the part
	// VerdictSeq is the number of the event with that result, 0 if there is none. Superseded is how
	// many results came before it.
	VerdictSeq uint64 `json:"result_seq,omitempty"`
	Superseded int    `json:"superseded,omitempty"`
	Simulated  bool   `json:"simulated,omitempty"` // it was begun at a station that measured nothing

	by string // who worked at the station when it was begun
}

// Parts returns the parts that a filter picks, the newest first. It returns at most Limit parts; a
// Limit of 0 means 200. AfterSeq, From and To apply to the event that began the part. Kinds is
// ignored.
func (j *Journal) Parts(ctx context.Context, f Filter) ([]PartSummary, error) {
	if f.Limit <= 0 {
		f.Limit = 200
	}
	parts, err := j.newest(ctx, f, j.Last()+1)
	if err != nil {
		return nil, fmt.Errorf("list the parts: %w", err)
	}
	oldest := j.Last()
	for _, p := range parts {
		oldest = min(oldest, p.lo)
	}
	later, err := j.superseding(ctx, f.Station, oldest)
	if err != nil {
		return nil, fmt.Errorf("list the parts: %w", err)
	}
	stmt, err := j.read.PrepareContext(ctx, summary)
	if err != nil {
		return nil, fmt.Errorf("list the parts: %w", err)
	}
	defer stmt.Close()
	u := j.packing.take()
	defer j.packing.give(u)
	out, to := make([]PartSummary, len(parts)), indexedUpTo(j.Last())
	for i, p := range parts {
		if out[i], err = p.summary(ctx, stmt, u, to); err != nil {
			return nil, fmt.Errorf("part %s of %s: %w", p.part, p.station, err)
		}
		later.over(&out[i])
	}
	return out, nil
}

// superseding are the results that superseded another one, in order: by station, and by how many parts
// it had begun with the part. Such a result may come long after the part, and there are few of them.
type superseding map[string]map[int][]event.Record

// superseding returns those after a number, at one station or at all.
func (j *Journal) superseding(ctx context.Context, station string, after uint64) (superseding, error) {
	all := superseding{}
	for r, err := range j.Query(ctx, Filter{Station: station, Kinds: []event.Kind{event.Superseded}, AfterSeq: after}) {
		if err != nil {
			return nil, err
		}
		if all[r.Station] == nil {
			all[r.Station] = map[int][]event.Record{}
		}
		all[r.Station][r.Verdict.Begun] = append(all[r.Station][r.Verdict.Begun], r)
	}
	return all, nil
}

// over puts the newest result of a part in the place of its first one.
func (all superseding) over(p *PartSummary) {
	if p.Verdict == nil {
		return
	}
	later := all[p.Station][p.Verdict.Begun]
	if p.Superseded = len(later); p.Superseded > 0 {
		newest := &later[len(later)-1]
		p.Verdict, p.VerdictSeq = newest.Verdict, newest.Seq
	}
}

// newest returns the newest parts that the filter picks of those begun before a number, the newest
// first.
func (j *Journal) newest(ctx context.Context, f Filter, before uint64) (out []partSpan, err error) {
	last := j.Last()
	spans := []span{{f.Station, f.AfterSeq + 1, last}}
	if f.Job != "" {
		if spans, err = j.jobSpans(ctx, f, last); err != nil {
			return nil, err
		}
	}
	slices.SortFunc(spans, func(a, b span) int { return cmp.Compare(b.hi, a.hi) })
	for _, s := range spans {
		if s.hi = min(s.hi, before-1); s.lo > s.hi {
			continue
		}
		if len(out) == f.Limit && s.hi < out[len(out)-1].lo { // and so do all that follow
			break
		}
		parts, err := j.partSpans(ctx, &f, s, f.Limit)
		if err != nil {
			return nil, err
		}
		out = append(out, parts...)
		slices.SortFunc(out, func(a, b partSpan) int { return cmp.Compare(b.lo, a.lo) })
		out = out[:min(len(out), f.Limit)]
	}
	return out, nil
}

// partSpan is a part and the span of the journal in which it was the current part. The span begins
// with the event that began the part. It ends before the next part or job of the station.
type partSpan struct {
	span
	job, part string
	at        int64 // when the part was begun, in ns
}

const partColumns = `select station, seq, part, at,
	coalesce((select job from event i indexed by event_station where i.station = e.station and i.kind = 'job' and i.kind <> 'reading' and i.seq > 0 and i.seq < e.seq order by i.seq desc limit 1), ''),
	min(coalesce((select min(seq) from event i indexed by event_station where i.station = e.station and i.kind = 'part' and i.kind <> 'reading' and i.seq > e.seq), ?1 + 1),
	    coalesce((select min(seq) from event i indexed by event_station where i.station = e.station and i.kind = 'job' and i.kind <> 'reading' and i.seq > e.seq), ?1 + 1)) - 1
from event e `

// partSpans returns the parts begun in a span, the newest first.
func (j *Journal) partSpans(ctx context.Context, f *Filter, s span, limit int) ([]partSpan, error) {
	last := j.Last()
	by, args := "indexed by event_kind", []any{int64(last), int64(s.lo), int64(s.hi)}
	where := []string{"kind = 'part'", "kind <> 'reading'", "seq >= ?", "seq <= ?"}
	if s.station != "" {
		by = "indexed by event_station"
		where, args = append(where, "station = ?"), append(args, s.station)
	}
	if f.Part != "" {
		by = "indexed by event_part"
		where, args = append(where, "part = ?"), append(args, f.Part)
	}
	times, more := f.times()
	where, args = append(where, times...), append(append(args, more...), limit)
	fields := func(p *partSpan) []any { return []any{&p.station, &p.lo, &p.part, &p.at, &p.job, &p.hi} }
	out, err := readRows(ctx, j.read, fields, partColumns+by+" where "+strings.Join(where, " and ")+" order by seq desc limit ?", args...)
	for i := range out {
		out[i].hi = min(out[i].hi, last)
	}
	return out, err
}

// summary counts the readings of a span, and reads its newest reading and its newest verdict. The
// readings up to the row ?4 are counted in their index; the few rows above ?4 are counted
// themselves. Each range has only one lower and one upper bound: if there were two lower bounds,
// for example, the planner might use the wrong one.
const summary = `with r as (
	select count(*) as n, max(seq) as last from (
		select seq from reading where station = ?1 and seq between ?2 and min(?3, ?4)
		union all
		select seq from event not indexed where station = ?1 and kind = 'reading' and seq between max(?2, ?4 + 1) and ?3)
), v as (
	select seq, at, body from event indexed by event_station where station = ?1 and kind = 'result' and kind <> 'reading' and seq between ?2 and ?3 order by seq desc limit 1
)
select n, (select at from event where seq = r.last), (select at from v), coalesce((select seq from v), 0), (select body from v), (select body from event where seq = ?2) from r`

func (p *partSpan) summary(ctx context.Context, stmt *sql.Stmt, u *unpacker, to uint64) (PartSummary, error) {
	s := PartSummary{Seq: p.lo, Station: p.station, Job: p.job, Part: p.part, First: time.Unix(0, p.at).UTC()}
	var read, judged *int64
	var verdict uint64
	var body, begin []byte
	if err := stmt.QueryRowContext(ctx, p.station, int64(p.lo), int64(p.hi), int64(to)).Scan(&s.Readings, &read, &judged, &verdict, &body, &begin); err != nil {
		return s, err
	}
	s.Last = s.First
	for _, at := range []*int64{read, judged} {
		if at != nil && time.Unix(0, *at).After(s.Last) {
			s.Last = time.Unix(0, *at).UTC()
		}
	}
	begin, err := u.unpacked(p.lo, begin)
	if err != nil {
		return s, err
	}
	e, err := u.decode(begin)
	if s.Simulated, s.by = e.Simulated, e.Person; body == nil || err != nil {
		return s, err
	}
	body, err = u.unpacked(verdict, body)
	if err != nil {
		return s, err
	}
	e, err = u.decode(body)
	s.Verdict, s.VerdictSeq = e.Verdict, verdict
	return s, err
}
