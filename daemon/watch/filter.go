package watch

import (
	"bufio"
	"encoding/binary"
	"errors"
	"fmt"
	"io"
	"net"
)

// packetFilter removes packets from what a broker sends that are larger than any that
// is wanted, before the library allocates memory for them: it would do so for 256 MB,
// as often as anybody publishes them. A message that is removed is acknowledged, since
// it would hold up those after it.
//
// The framing is that of MQTT 3.1.1, sections 2.2 and 3.3: a byte of type and
// flags, the remaining length in one to four bytes of seven bits, and in a
// PUBLISH the topic with its length and, above QoS 0, the packet identifier.
type packetFilter struct {
	net.Conn
	in    *bufio.Reader
	most  int // remaining length
	head  []byte
	left  int // of the packet that is passed on
	large func()
}

func newPacketFilter(conn net.Conn, most int, large func()) *packetFilter {
	return &packetFilter{Conn: conn, in: bufio.NewReader(conn), most: most, large: large}
}

// The packets of MQTT 3.1.1 that matter here, as the upper half of the first byte.
const (
	packetPublish = 3
	packetPuback  = 4
)

var errLength = errors.New("the broker sent a packet with a length that can't be")

// Read passes packets on that are not too large.
func (f *packetFilter) Read(p []byte) (int, error) {
	for len(f.head) == 0 && f.left == 0 {
		if err := f.next(); err != nil {
			return 0, err
		}
	}
	if len(f.head) > 0 {
		n := copy(p, f.head)
		f.head = f.head[n:]
		return n, nil
	}
	n, err := f.in.Read(p[:min(len(p), f.left)])
	f.left -= n
	return n, err
}

// next reads the head of a packet, and all of it if it is too large.
func (f *packetFilter) next() error {
	first, err := f.in.ReadByte()
	if err != nil {
		return err
	}
	head, size := []byte{first}, 0
	for shift := 0; ; shift += 7 {
		if shift > 21 {
			return errLength
		}
		b, err := f.in.ReadByte()
		if err != nil {
			return err
		}
		head = append(head, b)
		size |= int(b&0x7f) << shift
		if b&0x80 == 0 {
			break
		}
	}
	if size <= f.most {
		f.head, f.left = head, size
		return nil
	}
	if first>>4 != packetPublish {
		return fmt.Errorf("the broker sent a packet of %d bytes that is no message", size)
	}
	return f.drop(first, size)
}

// drop reads a message without keeping it.
func (f *packetFilter) drop(first byte, size int) error {
	f.large()
	var b [2]byte
	if _, err := io.ReadFull(f.in, b[:]); err != nil {
		return err
	}
	topic := int(binary.BigEndian.Uint16(b[:]))
	id := 0
	qos := first >> 1 & 3
	if qos > 0 {
		id = len(b)
	}
	if size < len(b)+topic+id {
		return errLength
	}
	if _, err := f.in.Discard(topic); err != nil {
		return err
	}
	if _, err := io.ReadFull(f.in, b[:id]); err != nil {
		return err
	}
	if _, err := f.in.Discard(size - len(b) - topic - id); err != nil || qos == 0 {
		return err
	}
	_, err := f.Conn.Write([]byte{packetPuback << 4, 2, b[0], b[1]})
	return err
}
