package port

import (
	"sync"

	"fairbore/analysis"
	"fairbore/drivers"
)

// Status is the present state of a port.
type Status struct {
	Up      bool
	Since   drivers.Moment  // time of the latest change of Up; zero before the first attempt
	Name    string          // what was opened last
	Why     analysis.Phrase // latest cause of being down; zero when the line is up
	Adapter Adapter         // adapter at the latest opening; zero if there was none to see
	// Lines are the states of the modem lines. They are valid if HasLines is true.
	Lines    ModemLines
	HasLines bool
	Counters Counters
}

// Counters count from the call of New. Bytes are bytes of the line, without escapes of a protocol.
type Counters struct {
	Bytes, Written              uint64 // bytes read; bytes written
	Attempts, Opens             uint64 // attempts to open the line; successful attempts
	Losses                      uint64 // losses of an open line
	LineErrors                  uint64 // places with a damaged or missing byte
	WriteFaults                 uint64
	RecordDropped, RecordFaults uint64 // chunks missing from recordings; faults of the disk
	Kernel                      KernelCounts
	KernelCounted, Blocked      bool // there are kernel counts; a write is stuck in the driver
}

// Status returns the present state of the port.
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

// Watch keeps the state of the modem lines in the status up to date until stop is called, also where
// nothing else needs it. Nobody else is told of them.
func (p *Port) Watch() (stop func()) {
	p.watchers.Add(1)
	return sync.OnceFunc(func() { p.watchers.Add(-1) })
}
