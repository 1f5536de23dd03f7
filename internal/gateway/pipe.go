package gateway

import (
	"context"
	"fmt"
	"net"
	"sync"
)

// Pipe is a listener inside the process: what is dialled is accepted, and nothing outside can reach it. It is safe for concurrent use.
type Pipe struct {
	conns  chan net.Conn
	closed chan struct{}
	once   sync.Once
}

// NewPipe makes a pipe.
func NewPipe() *Pipe { return &Pipe{conns: make(chan net.Conn), closed: make(chan struct{})} }

// Accept waits for the next dial. After Close it is net.ErrClosed.
func (p *Pipe) Accept() (net.Conn, error) {
	select {
	case c := <-p.conns:
		return c, nil
	case <-p.closed:
		return nil, net.ErrClosed
	}
}

// Close ends Accept and Dial; connections live on.
func (p *Pipe) Close() error {
	p.once.Do(func() { close(p.closed) })
	return nil
}

// Addr names the pipe.
func (p *Pipe) Addr() net.Addr { return pipeAddr{} }

// Dial connects to whoever accepts.
func (p *Pipe) Dial(ctx context.Context) (net.Conn, error) {
	near, far := net.Pipe()
	select {
	case p.conns <- far:
		return near, nil
	case <-p.closed:
		return nil, fmt.Errorf("dial inside the process: %w", net.ErrClosed)
	case <-ctx.Done():
		return nil, fmt.Errorf("dial inside the process: %w", ctx.Err())
	}
}

type pipeAddr struct{}

func (pipeAddr) Network() string { return "pipe" }
func (pipeAddr) String() string  { return "in-process" }
