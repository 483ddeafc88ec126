package publish

// rested is a retained message with the number of the last record that it is based on.
type rested struct {
	payload []byte
	after   uint64
}

// bores keeps the bore message of a station, or the head, that is to be sent next. The newest wins,
// but a message that waits for its records is not replaced by a newer one that would wait longer;
// otherwise a steady flow of readings would leave the displays without any.
type bores struct {
	due, next, last *rested
	flying          bool // a message is on its way
}

// offer takes a newer message.
func (b *bores) offer(r rested) {
	if b.due == nil {
		b.due = &r
	} else {
		b.next = &r
	}
}

// take returns the message to send once records up to sent have been sent. It returns nil if there
// is none, or if one is still on its way.
func (b *bores) take(sent uint64) []byte {
	if b.next != nil && b.next.after <= sent {
		b.due, b.next = b.next, nil
	}
	if b.flying || b.due == nil || b.due.after > sent {
		return nil
	}
	b.last, b.due, b.next = b.due, b.next, nil
	b.flying = true
	return b.last.payload
}

// landed says that the message on its way was acknowledged.
func (b *bores) landed() { b.flying = false }

// again makes the newest message due again, for a new connection.
func (b *bores) again() {
	b.flying = false
	if b.due == nil {
		b.due = b.last
	}
}
