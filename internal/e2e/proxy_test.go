package e2e

import (
	"fmt"
	"net"
	"net/url"
	"strings"
	"sync"
	"testing"

	"github.com/jackc/pgx/v5"
)

// proxy stands between the service and its database, so that a test can take the database away.
type proxy struct {
	listener        net.Listener
	network, target string
	wg              sync.WaitGroup

	mu sync.Mutex
	// away refuses connections; deaf passes on what the service sends and drops what the database answers.
	away, deaf bool
	conns      map[net.Conn]bool
	// left is how many messages of the service of these kinds are still passed on before the connection of the last one is cut; 0 cuts none.
	left  int
	kinds string
}

// newProxy returns the proxy and the URL that leads through it.
func newProxy(t testing.TB, databaseURL string) (*proxy, string) {
	t.Helper()
	config := must(pgx.ParseConfig(databaseURL))(t)
	p := &proxy{network: "tcp", target: fmt.Sprintf("%s:%d", config.Host, config.Port), conns: map[net.Conn]bool{}}
	if strings.HasPrefix(config.Host, "/") {
		p.network, p.target = "unix", fmt.Sprintf("%s/.s.PGSQL.%d", config.Host, config.Port)
	}
	p.listener = must(net.Listen("tcp", "127.0.0.1:0"))(t)
	p.wg.Add(1)
	go p.serve()
	t.Cleanup(func() {
		_ = p.listener.Close()
		p.cut()
		p.wg.Wait()
	})
	through := url.URL{Scheme: "postgres", User: url.UserPassword(config.User, config.Password), Host: p.listener.Addr().String(),
		Path: "/" + config.Database, RawQuery: "sslmode=disable"}
	return p, through.String()
}

func (p *proxy) serve() {
	defer p.wg.Done()
	for {
		client, err := p.listener.Accept()
		if err != nil {
			return
		}
		server, err := net.Dial(p.network, p.target)
		if err != nil {
			_ = client.Close()
			continue
		}
		if !p.keep(client, server) {
			continue
		}
		p.wg.Add(2)
		l := &link{client: client, server: server}
		go p.ask(l)
		go p.answer(l)
	}
}

func (p *proxy) keep(client, server net.Conn) bool {
	p.mu.Lock()
	defer p.mu.Unlock()
	if p.away {
		_, _ = client.Close(), server.Close()
		return false
	}
	p.conns[client], p.conns[server] = true, true
	return true
}

// answer passes on what the database says, unless the proxy is deaf or the link is cut.
func (p *proxy) answer(l *link) {
	defer p.wg.Done()
	defer l.close()
	buf := make([]byte, 32<<10)
	for {
		n, err := l.server.Read(buf)
		if n > 0 && p.drops() {
			// The database has answered what the service will never learn.
			p.cut()
			return
		}
		if n > 0 && !l.cut.Load() {
			if _, err := l.client.Write(buf[:n]); err != nil {
				return
			}
		}
		if err != nil {
			return
		}
	}
}

func (p *proxy) drops() bool {
	p.mu.Lock()
	defer p.mu.Unlock()
	return p.deaf
}

// cut takes the database away: every connection breaks and none can be made.
func (p *proxy) cut() {
	p.mu.Lock()
	defer p.mu.Unlock()
	p.away, p.deaf = true, false
	for c := range p.conns {
		_ = c.Close()
	}
	clear(p.conns)
}

// loseAnswers lets what the service sends reach the database, and takes the database away when it answers.
func (p *proxy) loseAnswers() {
	p.mu.Lock()
	defer p.mu.Unlock()
	p.deaf = true
}

func (p *proxy) restore() {
	p.mu.Lock()
	defer p.mu.Unlock()
	p.away, p.deaf = false, false
}
