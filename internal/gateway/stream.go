package gateway

import (
	"context"
	"errors"
	"maps"
	"net/http"
	"time"

	"github.com/grpc-ecosystem/grpc-gateway/v2/runtime"
)

// streamIdle is how long one piece of a streamed answer may take to be taken. It stands in place of the server's bound on a whole answer; what the gRPC server
// bounds besides holds here too.
const streamIdle = 30 * time.Second

// longAgo is a deadline that has passed.
var longAgo = time.Unix(1, 0)

type streamKey struct{}

// streamed is the writer of a streamed answer. A failure before the first piece is answered as any other. After it a stream of messages ends with a line that
// says so, as the generated code has it; a stream of bytes is broken off, so that no reader can take the part for the whole.
// It belongs to its request's goroutine.
type streamed struct {
	http.ResponseWriter
	control *http.ResponseController
	idle    time.Duration
	begun   bool
	// bytes: the pieces are parts of a file, and the line end that the generated code writes after each, which is due where delimiter is set, is left out.
	bytes, delimiter bool

	// failed is the call's error, with the context of the generated code; from then on nothing more is written.
	failed error
	ctx    context.Context
}

// serveStream serves a route whose method streams its answer.
func (g *Gateway) serveStream(w http.ResponseWriter, r *http.Request, params map[string]string, route *route, next runtime.HandlerFunc) {
	s := &streamed{ResponseWriter: w, control: http.NewResponseController(w), idle: streamIdle,
		bytes: route.output == "google.api.HttpBody"}
	// The request has been read; its time to be read must not end the answer, and each piece has a time of its own. Where the writer cannot do
	// it, the server's bounds hold.
	_ = errors.Join(s.control.SetReadDeadline(time.Time{}), s.control.SetWriteDeadline(time.Time{}))
	before := w.Header().Clone()
	r = r.WithContext(context.WithValue(r.Context(), streamKey{}, s))
	next(s, r, params)
	switch {
	case s.failed == nil:
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
	g.answerError(s.ctx, g.mux, nil, w, r, s.failed)
}

// streamFailed keeps the error of a stream for serveStream.
func streamFailed(ctx context.Context, err error) {
	if s, ok := ctx.Value(streamKey{}).(*streamed); ok && (s.bytes || !s.begun) {
		s.failed, s.ctx = err, ctx
	}
}

// Write writes a piece, for which the reader has its time.
func (s *streamed) Write(b []byte) (int, error) {
	if s.failed != nil || s.delimiter {
		s.delimiter = false
		return len(b), nil
	}
	s.delimiter = s.bytes
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
	if s.failed == nil {
		s.ResponseWriter.WriteHeader(code)
	}
}

// Flush sends what was written, for which the reader has its time, too.
func (s *streamed) Flush() {
	if s.failed == nil {
		defer s.within()()
		_ = s.control.Flush()
	}
}
