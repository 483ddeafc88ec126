// Package port opens and reads a serial line, a network line, a pseudo-terminal or a recording. It
// opens the line again after a loss.
//
// A [Config] names the device by its path or address:
//
//	/dev/serial/by-id/NAME   a serial line, best by its stable name
//	/dev/ttyS0, COM3         any other tty, a pseudo-terminal or a Windows port
//	tcp://HOST:PORT          plain bytes from a device server
//	rfc2217://HOST:PORT      a device server whose line we set (RFC 2217)
//	/dev/input/by-id/NAME    an input device that types (evdev); no other program
//	                         gets its input; write input:PATH for another path
//	recording:/PATH.rec      a recording of a line, at its own pace or faster
//
// [New] makes a [Port] and opens nothing. [Port.Run] does everything else in one goroutine, the
// owner. Only the owner opens, reads and closes the line. It passes on what happens on the line as
// [Chunk] values, in order. An idle line is no fault and costs almost nothing: a read waits for at
// most 100 ms, and a caller does not see its timeout. The loss of a device is reported within a
// second. The owner tries to open the line again after 0.25 s, then less and less often, down to
// every 5 s.
//
// Commands to a gauge go through [Port.Write] to one writer goroutine. The owner starts the writer
// after it opens the line, and waits for the writer before it closes the line. So nothing is ever
// written through a closed port, whose descriptor may already belong to another file of this
// program.
//
// Two daemons never share a gauge. On Linux the owner locks the device with flock, which also binds
// the superuser and works on pseudo-terminals. It refuses a device that another program has open
// exclusively. It keeps the adapter's vendor, product and serial number from the first opening, and
// refuses another adapter that appears under the same name.
//
// The tests use pseudo-terminals. They don't cover parity, 7-bit lines, damaged bytes, or the modem
// lines and counters of a real UART.
package port
