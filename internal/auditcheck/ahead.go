package auditcheck

import (
	"errors"
	"iter"
)

// chunkRows is how many rows of a table are handed over at once. Of each table one chunk is at work, and one read ahead.
const chunkRows = 128

// reader is the one goroutine that uses the transaction while rows that were read before are checked. It lives as long as the check of a log.
type reader struct {
	wanted chan func()
	ended  chan struct{}
}

// maxWishes is how many tables wish for a chunk without waiting to be heard: more than there are, and each has no more than one wish open.
const maxWishes = 64

func newReader() *reader {
	r := &reader{wanted: make(chan func(), maxWishes), ended: make(chan struct{})}
	go func() {
		defer close(r.ended)
		for wish := range r.wanted {
			wish()
		}
	}()
	return r
}

// stop returns once nothing uses the transaction any more. Wishes still open are carried out; a context that has ended cuts them short.
func (r *reader) stop() {
	close(r.wanted)
	<-r.ended
}

// chunk is a run of a table's rows; err is why there are no more, if the scan failed.
type chunk[T any] struct {
	rows []T
	last bool
	err  error
}

// pulled makes a scan that calls back into one that is asked, and that reads ahead. Its rows come in the scan's order; failed is set at the latest
// when next says that there are no more. The reader is stopped before stop is called.
func pulled[T any](r *reader, scan func(func(T) error) error) (next func() (T, bool), stop func(), failed *error) {
	pull, stop, scanned := turns(scan)
	filled := make(chan chunk[T], 1)
	fill := func() {
		c := chunk[T]{rows: make([]T, 0, chunkRows)}
		for len(c.rows) < chunkRows && !c.last {
			if v, ok := pull(); ok {
				c.rows = append(c.rows, v)
			} else {
				c.last, c.err = true, *scanned
			}
		}
		filled <- c
	}
	r.wanted <- fill
	failed = new(error)
	var at chunk[T]
	next = func() (none T, ok bool) {
		for len(at.rows) == 0 {
			if at.last {
				*failed = at.err
				return none, false
			}
			if at = <-filled; !at.last {
				r.wanted <- fill
			}
		}
		v := at.rows[0]
		at.rows = at.rows[1:]
		return v, true
	}
	return next, stop, failed
}

// errStopped ends a scan of which no more is wanted.
var errStopped = errors.New("auditcheck: scan stopped")

// turns makes a scan that calls back into one that is asked. Both sides take turns.
func turns[T any](scan func(func(T) error) error) (next func() (T, bool), stop func(), failed *error) {
	failed = new(error)
	next, stop = iter.Pull(func(yield func(T) bool) {
		err := scan(func(v T) error {
			if !yield(v) {
				return errStopped
			}
			return nil
		})
		if !errors.Is(err, errStopped) {
			*failed = err
		}
	})
	return next, stop, failed
}
