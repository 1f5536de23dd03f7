package soak

import (
	"context"
	"fmt"
	"net"
	"sync"
	"time"
)

// weather is what a network does to what passes through it.
type weather int

const (
	clear weather = iota
	// away breaks every connection and takes none.
	away
	// slow keeps every piece back for a while.
	slow
	// deaf is a half-open connection: what the client sends arrives, what comes back is lost, and nobody is told.
	deaf
	// mute is the other half: nothing that the client sends arrives.
	mute
)

// slowness is how long a slow network keeps each piece back.
const slowness = 60 * time.Millisecond

// network is a TCP proxy whose weather changes. A connection that once was half-open stays so until forgotten: as behind a router that forgot it,
// neither end learns of it.
type network struct {
	listener net.Listener
	wg       sync.WaitGroup

	mu      sync.Mutex
	target  string
	weather weather
	links   map[*link]bool
}

// link is one connection with its two ends.
type link struct {
	client, server net.Conn
	// lost is set, under the network's lock, for each direction that once lost something.
	lost [2]bool
}

const (
	toServer = 0
	toClient = 1
)

func newNetwork(ctx context.Context, target string) (*network, error) {
	var lc net.ListenConfig
	l, err := lc.Listen(ctx, "tcp4", "127.0.0.1:0")
	if err != nil {
		return nil, fmt.Errorf("listen for a proxy: %w", err)
	}
	n := &network{listener: l, target: target, links: map[*link]bool{}}
	n.wg.Go(n.accept)
	return n, nil
}

func (n *network) address() string { return n.listener.Addr().String() }

func (n *network) close() {
	_ = n.listener.Close()
	n.change(away)
	n.wg.Wait()
}

// change changes the weather.
func (n *network) change(w weather) {
	n.mu.Lock()
	defer n.mu.Unlock()
	n.weather = w
	for l := range n.links {
		switch w {
		case away:
			l.close()
		case deaf:
			l.lost[toClient] = true
		case mute:
			l.lost[toServer] = true
		}
	}
}

// forget ends the connections that are half-open, as a keep-alive does in the end.
func (n *network) forget() {
	n.mu.Lock()
	defer n.mu.Unlock()
	for l := range n.links {
		if l.lost[toServer] || l.lost[toClient] {
			l.close()
		}
	}
}

func (n *network) accept() {
	for {
		client, err := n.listener.Accept()
		if err != nil {
			return
		}
		server, err := net.DialTimeout("tcp4", n.target, time.Second)
		if err != nil {
			_ = client.Close()
			continue
		}
		l := &link{client: client, server: server}
		if !n.keep(l) {
			l.close()
			continue
		}
		n.wg.Go(func() { n.pass(l, client, server, toServer) })
		n.wg.Go(func() { n.pass(l, server, client, toClient) })
	}
}

func (n *network) keep(l *link) bool {
	n.mu.Lock()
	defer n.mu.Unlock()
	if n.weather == away {
		return false
	}
	n.links[l] = true
	return true
}

// pass carries one direction of a connection.
func (n *network) pass(l *link, from, to net.Conn, direction int) {
	buf := make([]byte, 32<<10)
	for {
		count, err := from.Read(buf)
		if count > 0 {
			switch drop, wait := n.fate(l, direction); {
			case drop:
			case wait > 0:
				time.Sleep(wait)
				fallthrough
			default:
				if _, err := to.Write(buf[:count]); err != nil {
					n.drop(l)
					return
				}
			}
		}
		if err != nil {
			n.ended(l)
			return
		}
	}
}

// fate says what becomes of a piece.
func (n *network) fate(l *link, direction int) (drop bool, wait time.Duration) {
	n.mu.Lock()
	defer n.mu.Unlock()
	if n.weather == deaf && direction == toClient || n.weather == mute && direction == toServer {
		l.lost[direction] = true
	}
	if n.weather == slow {
		wait = slowness
	}
	return l.lost[direction], wait
}

// ended is called when one end has closed. The other learns of it only where the connection is whole.
func (n *network) ended(l *link) {
	n.mu.Lock()
	halfOpen := l.lost[toServer] || l.lost[toClient]
	n.mu.Unlock()
	if !halfOpen {
		n.drop(l)
	}
}

func (n *network) drop(l *link) {
	n.mu.Lock()
	defer n.mu.Unlock()
	delete(n.links, l)
	l.close()
}

func (l *link) close() { _, _ = l.client.Close(), l.server.Close() }
