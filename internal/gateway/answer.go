package gateway

import (
	"context"
	"log/slog"
	"math"
	"net/http"
	"strconv"
	"strings"

	"github.com/grpc-ecosystem/grpc-gateway/v2/runtime"
	"google.golang.org/genproto/googleapis/rpc/errdetails"
	spb "google.golang.org/genproto/googleapis/rpc/status"
	"google.golang.org/protobuf/encoding/protojson"

	"ponderal.example/internal/rpc"
)

// answerError answers a failed call. The status is the usual one for the gRPC code, but for one: a message that is too large is 413, where
// the table has 429; the two are told apart by the advice to retry, which only the latter carries.
func (g *Gateway) answerError(ctx context.Context, _ *runtime.ServeMux, _ runtime.Marshaler, w http.ResponseWriter, r *http.Request, err error) {
	if b, ok := r.Body.(*body); ok && b.refused != nil {
		g.refuse(w, r, b.refused)
		return
	}
	st, code := rpc.Answer(err, r.Header.Get(headerRequestID))
	status := runtime.HTTPStatusFromCode(code)
	if status == http.StatusTooManyRequests && retryAfter(st) == 0 {
		status = http.StatusRequestEntityTooLarge
	}
	md, ok := runtime.ServerMetadataFromContext(ctx)
	if !ok || len(md.HeaderMD) == 0 {
		// The call did not get through to the gRPC server, which would have logged it.
		g.note(r, status, reasonOf(st))
	}
	forwardLimits(w, md)
	writeStatus(w, status, st)
}

// answerNoRoute answers where the mux found no handler.
func (g *Gateway) answerNoRoute(_ context.Context, _ *runtime.ServeMux, _ runtime.Marshaler, w http.ResponseWriter, r *http.Request, status int) {
	switch status {
	case http.StatusNotFound:
		g.refuse(w, r, noSuchRoute())
	case http.StatusMethodNotAllowed:
		w.Header().Set("Allow", strings.Join(g.routes.allowed(r.URL.Path), ", "))
		g.refuse(w, r, methodNotAllowed())
	default:
		g.refuse(w, r, badPath(status))
	}
}

// refuse answers what never becomes a call.
func (g *Gateway) refuse(w http.ResponseWriter, r *http.Request, refused *refusal) {
	g.note(r, refused.status, refused.fault.Reason)
	writeStatus(w, refused.status, rpc.Refusal(refused.fault, r.Header.Get(headerRequestID)))
}

// note logs and counts a refusal: never the path, the query or a header, which may name people.
func (g *Gateway) note(r *http.Request, status int, reason string) {
	g.refusals.WithLabelValues(reason).Inc()
	g.options.Logger.LogAttrs(r.Context(), slog.LevelInfo, "REST request refused",
		slog.Int("status", status), slog.String("reason", reason), slog.String("request_id", r.Header.Get(headerRequestID)))
}

func writeStatus(w http.ResponseWriter, status int, st *spb.Status) {
	text, err := protojson.Marshal(st)
	if err != nil {
		// Only a detail of a type that this build does not know could cause it; the code and text still go out.
		text, err = protojson.Marshal(&spb.Status{Code: st.GetCode(), Message: st.GetMessage()})
	}
	if err != nil {
		w.WriteHeader(http.StatusInternalServerError)
		return
	}
	if wait := retryAfter(st); wait > 0 {
		w.Header().Set("Retry-After", strconv.Itoa(wait))
	}
	if status == http.StatusUnauthorized {
		w.Header().Set("WWW-Authenticate", `Bearer realm="ponderal"`)
	}
	writeJSON(w, status, text)
}

// retryAfter is the advice to retry in whole seconds, rounded up; 0 where there is none.
func retryAfter(st *spb.Status) int {
	var info errdetails.RetryInfo
	for _, d := range st.GetDetails() {
		if d.MessageIs(&info) && d.UnmarshalTo(&info) == nil {
			return int(math.Ceil(info.GetRetryDelay().AsDuration().Seconds()))
		}
	}
	return 0
}

func reasonOf(st *spb.Status) string {
	var info errdetails.ErrorInfo
	for _, d := range st.GetDetails() {
		if d.MessageIs(&info) && d.UnmarshalTo(&info) == nil {
			return info.GetReason()
		}
	}
	return ""
}

func writeJSON(w http.ResponseWriter, status int, text []byte) {
	w.Header().Set("Content-Type", "application/json")
	w.WriteHeader(status)
	// A caller who has gone away gets no answer; there is nobody to tell.
	_, _ = w.Write(text)
}
