package store

import (
	"context"
	"sync"
	"time"

	"github.com/jackc/pgx/v5"
)

// wakeChannel is the channel of LISTEN and NOTIFY on which replicas tell each other whose log grew; the payload is a clinic's id.
const wakeChannel = "ponderal_log"

const (
	// announceEvery gathers what is committed meanwhile into one announcement: a notification within the writing transaction would make all
	// transactions of the database commit one after another.
	announceEvery = 25 * time.Millisecond
	announceLimit = 5 * time.Second
	// listenAgain is the pause before a listener that lost its connection connects again.
	listenAgain = time.Second

	announceWakes = `SELECT pg_notify('` + wakeChannel + `', c) FROM unnest($1::text[]) c`
)

// wakes tells watchers that a clinic's log may have grown. A wake-up may be lost or come for nothing: whoever is woken looks, and looks from time to
// time without being woken.
type wakes struct {
	mu       sync.Mutex
	watchers map[string]map[chan struct{}]struct{}
	// grown are the clinics whose growth has not been announced to the other replicas.
	grown map[string]struct{}
	ready chan struct{}
}

func newWakes() *wakes {
	return &wakes{watchers: map[string]map[chan struct{}]struct{}{}, grown: map[string]struct{}{}, ready: make(chan struct{}, 1)}
}

// Watch returns a channel that gets a value when the clinic's log may have grown, and a function that ends it. Values that nobody takes are joined.
func (s *Store) Watch(clinicID string) (woken <-chan struct{}, stop func()) {
	w := s.wakes
	c := make(chan struct{}, 1)
	w.mu.Lock()
	defer w.mu.Unlock()
	if w.watchers[clinicID] == nil {
		w.watchers[clinicID] = map[chan struct{}]struct{}{}
	}
	w.watchers[clinicID][c] = struct{}{}
	return c, func() {
		w.mu.Lock()
		defer w.mu.Unlock()
		delete(w.watchers[clinicID], c)
		if len(w.watchers[clinicID]) == 0 {
			delete(w.watchers, clinicID)
		}
	}
}

// wake wakes the watchers of a clinic.
func (w *wakes) wake(clinicID string) {
	w.mu.Lock()
	defer w.mu.Unlock()
	for c := range w.watchers[clinicID] {
		poke(c)
	}
}

// wakeAll wakes everybody, after a time in which wake-ups may have been lost.
func (w *wakes) wakeAll() {
	w.mu.Lock()
	defer w.mu.Unlock()
	for _, set := range w.watchers {
		for c := range set {
			poke(c)
		}
	}
}

// committed is called once an entry of the clinic's log has been committed here.
func (w *wakes) committed(clinicID string) {
	w.wake(clinicID)
	w.mu.Lock()
	w.grown[clinicID] = struct{}{}
	w.mu.Unlock()
	poke(w.ready)
}

// take empties the list of what is to be announced.
func (w *wakes) take() []string {
	w.mu.Lock()
	defer w.mu.Unlock()
	var list []string
	for c := range w.grown {
		list = append(list, c)
	}
	clear(w.grown)
	return list
}

func poke(c chan struct{}) {
	select {
	case c <- struct{}{}:
	default:
	}
}

// RunWakes announces to the other replicas what this one commits, and wakes watchers here for what they commit, until ctx ends. Without it watchers
// are woken by this replica's commits alone.
func (s *Store) RunWakes(ctx context.Context) error {
	var done sync.WaitGroup
	done.Go(func() { s.announce(ctx) })
	done.Go(func() { s.listen(ctx) })
	done.Wait()
	return nil
}

// announce tells the other replicas. An announcement that fails is made again with the next.
func (s *Store) announce(ctx context.Context) {
	for wait(ctx, s.wakes.ready) {
		pause := time.NewTimer(announceEvery)
		select {
		case <-ctx.Done():
			pause.Stop()
			return
		case <-pause.C:
		}
		clinics := s.wakes.take()
		if err := s.sendWakes(ctx, clinics); err != nil {
			s.wakes.mu.Lock()
			for _, c := range clinics {
				s.wakes.grown[c] = struct{}{}
			}
			s.wakes.mu.Unlock()
		}
	}
}

func (s *Store) sendWakes(ctx context.Context, clinics []string) error {
	ctx, cancel := context.WithTimeout(ctx, announceLimit)
	defer cancel()
	_, err := s.pool.Exec(ctx, announceWakes, clinics)
	return err
}

func wait(ctx context.Context, c <-chan struct{}) bool {
	select {
	case <-ctx.Done():
		return false
	case <-c:
		return true
	}
}

// listen holds a connection of its own, and takes another when it is lost.
func (s *Store) listen(ctx context.Context) {
	for ctx.Err() == nil {
		_ = s.listenOnce(ctx)
		pause := time.NewTimer(listenAgain)
		select {
		case <-ctx.Done():
		case <-pause.C:
		}
		pause.Stop()
	}
}

func (s *Store) listenOnce(ctx context.Context) error {
	conn, err := pgx.ConnectConfig(ctx, s.pool.Config().ConnConfig)
	if err != nil {
		return err
	}
	defer func() {
		closing, cancel := context.WithTimeout(context.WithoutCancel(ctx), rollbackLimit)
		defer cancel()
		_ = conn.Close(closing)
	}()
	if _, err := conn.Exec(ctx, "LISTEN "+wakeChannel); err != nil {
		return err
	}
	s.wakes.wakeAll()
	for {
		got, err := conn.WaitForNotification(ctx)
		if err != nil {
			return err
		}
		s.wakes.wake(got.Payload)
	}
}
