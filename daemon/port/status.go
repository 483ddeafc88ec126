package port

import (
	"fairbore/analysis"
	"fairbore/drivers"
)

// Status is how a port is now.
type Status struct {
	Up      bool
	Since   drivers.Moment  // of the last change of Up; zero before the first
	Name    string          // what was opened last
	Why     analysis.Phrase // the latest cause of being down, zero when up
	Adapter Adapter         // seen at the last opening; zero if there is none to see
	// ModemLines are the modem lines; valid if HasLines.
	Lines    ModemLines
	HasLines bool
	Counters Counters
}

// Counters count since New. Bytes are those of the line, without escapes.
type Counters struct {
	Bytes, Written              uint64 // read, written
	Attempts, Opens             uint64 // to open; of them those that did
	Losses                      uint64 // of an open line
	LineErrors                  uint64 // places with a damaged or missing byte
	WriteFaults                 uint64
	RecordDropped, RecordFaults uint64 // chunks that are in no recording; faults in writing one
	Kernel                      KernelCounts
	KernelCounted, Blocked      bool // whether there are kernel counts; whether a write is stuck in the driver
}

// Status returns how the port is.
func (p *Port) Status() Status {
	p.mu.Lock()
	defer p.mu.Unlock()
	s := p.status
	s.Counters = Counters{
		Bytes: p.count.bytes.Load(), Written: p.count.written.Load(),
		Attempts: p.count.attempts.Load(), Opens: p.count.opens.Load(), Losses: p.count.losses.Load(),
		LineErrors: p.count.lineErrors.Load(), WriteFaults: p.count.writeFaults.Load(), Blocked: p.count.blocked.Load(),
		Kernel: p.status.Counters.Kernel, KernelCounted: p.status.Counters.KernelCounted,
	}
	if p.recorder != nil {
		s.Counters.RecordDropped, s.Counters.RecordFaults = p.recorder.dropped.Load(), p.recorder.faults.Load()
	}
	return s
}
