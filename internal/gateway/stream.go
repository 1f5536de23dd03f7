package gateway

import (
	"context"
	"errors"
	"maps"
	"net/http"
	"sync"
	"time"

	"github.com/grpc-ecosystem/grpc-gateway/v2/runtime"
)

// streamIdle is how long one piece of a streamed answer may take to be taken. It stands in place of the server's bound on a whole answer; what the gRPC server
// bounds besides holds here too.
const streamIdle = 30 * time.Second

// longAgo is a deadline that has passed.
var longAgo = time.Unix(1, 0)

// exactBodies writes the bodies of a stream as they are: without it a line end would follow each piece.
type exactBodies struct{ *runtime.HTTPBodyMarshaler }

// Delimiter is what stands between the pieces of a stream: nothing.
func (exactBodies) Delimiter() []byte { return nil }

type streamKey struct{}

// streamed is the writer of a streamed answer. A failure before the first piece is answered as any other; one after it breaks the connection off, so that
// no reader can take the part for the whole.
type streamed struct {
	http.ResponseWriter
	control *http.ResponseController
	idle    time.Duration
	begun   bool

	mu sync.Mutex
	// failed is the call's error, with the context of the generated code; from then on nothing more is written.
	failed error
	ctx    context.Context
}

// serveStream serves a route whose method streams its answer.
func (g *Gateway) serveStream(w http.ResponseWriter, r *http.Request, params map[string]string, next runtime.HandlerFunc) {
	s := &streamed{ResponseWriter: w, control: http.NewResponseController(w), idle: streamIdle}
	// The request has been read; its time to be read must not end the answer, and each piece has a time of its own. Where the writer cannot do
	// it, the server's bounds hold.
	_ = errors.Join(s.control.SetReadDeadline(time.Time{}), s.control.SetWriteDeadline(time.Time{}))
	before := w.Header().Clone()
	r = r.WithContext(context.WithValue(r.Context(), streamKey{}, s))
	next(s, r, params)
	failed, ctx := s.failure()
	switch {
	case failed == nil:
		return
	case s.begun:
		// Without its last chunk the answer is known to be cut off (RFC 9112, section 7.1).
		_ = s.control.SetWriteDeadline(longAgo)
		_, _ = w.Write([]byte("\n"))
		_ = s.control.Flush()
		return
	}
	// What the generated code has set for a good answer goes.
	clear(w.Header())
	maps.Copy(w.Header(), before)
	g.answerError(ctx, g.mux, nil, w, r, failed)
}

// streamFailed keeps the error of a stream for serveStream.
func streamFailed(ctx context.Context, err error) {
	if s, ok := ctx.Value(streamKey{}).(*streamed); ok {
		s.mu.Lock()
		s.failed, s.ctx = err, ctx
		s.mu.Unlock()
	}
}

func (s *streamed) failure() (error, context.Context) {
	s.mu.Lock()
	defer s.mu.Unlock()
	return s.failed, s.ctx
}

// Write writes a piece, for which the reader has its time.
func (s *streamed) Write(b []byte) (int, error) {
	if failed, _ := s.failure(); failed != nil || len(b) == 0 {
		return len(b), nil
	}
	s.begun = true
	defer s.within()()
	return s.ResponseWriter.Write(b)
}

// within ends what is being written when its time is over; what it returns is to be called when it is written.
func (s *streamed) within() func() {
	timer := time.AfterFunc(s.idle, func() { _ = s.control.SetWriteDeadline(longAgo) })
	return func() { timer.Stop() }
}

// WriteHeader is only called for a failure before the first piece, which is answered later.
func (s *streamed) WriteHeader(code int) {
	if failed, _ := s.failure(); failed == nil {
		s.ResponseWriter.WriteHeader(code)
	}
}

// Flush sends what was written.
func (s *streamed) Flush() {
	if failed, _ := s.failure(); failed == nil {
		defer s.within()()
		_ = s.control.Flush()
	}
}
