package e2e

import (
	"bufio"
	"encoding/binary"
	"io"
	"net"
	"strings"
	"sync/atomic"
)

// link is one connection of the service through the proxy.
type link struct {
	client, server net.Conn
	// cut says that the service hears no more.
	cut atomic.Bool
}

func (l *link) close() { _, _ = l.client.Close(), l.server.Close() }

// ask passes on what the service says, message by message, as the frontend protocol frames them (PostgreSQL documentation, "Message Formats"): the
// first of a connection is a length and a body, every further one a type byte, a length that counts itself, and a body.
func (p *proxy) ask(l *link) {
	defer p.wg.Done()
	r := bufio.NewReader(l.client)
	for first := true; ; first = false {
		message, err := readMessage(r, first)
		if err != nil {
			l.close()
			return
		}
		if _, err := l.server.Write(message); err != nil {
			l.close()
			return
		}
		if !first && p.cutsAfter(message[0]) {
			l.hangUp()
			return
		}
	}
}

func readMessage(r io.Reader, first bool) ([]byte, error) {
	head := make([]byte, 5)
	if first {
		head = head[:4]
	}
	if _, err := io.ReadFull(r, head); err != nil {
		return nil, err
	}
	length := binary.BigEndian.Uint32(head[len(head)-4:])
	if length < 4 || length > 1<<30 {
		return nil, io.ErrUnexpectedEOF
	}
	message := append(head, make([]byte, length-4)...)
	_, err := io.ReadFull(r, message[len(head):])
	return message, err
}

// hangUp is what a broken network does to a connection: the database gets what was sent before, works it off and finds nobody to answer; the service
// hears nothing of it, and then that the connection is gone. When it hears that, what the database did is final.
func (l *link) hangUp() {
	l.cut.Store(true)
	if half, ok := l.server.(interface{ CloseWrite() error }); ok {
		_ = half.CloseWrite()
	}
}

// The kinds of message by their type byte. statements are those that have the database carry out something: Execute and Query. messages are these and
// what readies and ends them: Parse, Describe, Bind, Close, Sync, Flush; so not passwords and farewells, which belong to no operation.
const (
	statements = "EQ"
	messages   = "EQPDBCSH"
)

// cutsAfter counts a message and reports whether it is the last of its connection.
func (p *proxy) cutsAfter(kind byte) bool {
	p.mu.Lock()
	defer p.mu.Unlock()
	if p.left == 0 || strings.IndexByte(p.kinds, kind) < 0 {
		return false
	}
	p.left--
	return p.left == 0
}

// cutAfter has the connection cut on which the service sends its nth message of these kinds from now on, right after that message.
func (p *proxy) cutAfter(kinds string, n int) {
	p.mu.Lock()
	defer p.mu.Unlock()
	p.kinds, p.left = kinds, n
}

// cutYet reports whether that message came, and cuts nothing more.
func (p *proxy) cutYet() bool {
	p.mu.Lock()
	defer p.mu.Unlock()
	yet := p.left == 0
	p.left = 0
	return yet
}
