package gateway

import (
	"fmt"
	"mime"
	"net/http"
	"strings"

	"github.com/grpc-ecosystem/grpc-gateway/v2/runtime"

	"ponderal.example/api"
	"ponderal.example/internal/fault"
	"ponderal.example/internal/rpc"
)

// The headers that the gateway reads or writes by name.
const (
	headerRequestID = "X-Request-Id"
	headerApp       = "X-Ponderal-App"
)

// ServeHTTP gives the request its id and hands it to a fixed path or to the routes of the contract.
func (g *Gateway) ServeHTTP(w http.ResponseWriter, r *http.Request) {
	id := r.Header.Get(headerRequestID)
	if !rpc.PlainRequestID(id) {
		id = g.options.NewRequestID()
	}
	r.Header.Set(headerRequestID, id)
	h := w.Header()
	h.Set(headerRequestID, id)
	h.Set("Cache-Control", "no-store")
	h.Set("X-Content-Type-Options", "nosniff")
	if size := headerSize(r); size > g.options.MaxHeader {
		g.refuse(w, r, &refusal{http.StatusRequestHeaderFieldsTooLarge, fault.Newf(fault.TooLarge, "HEADERS_TOO_LARGE",
			"the request's headers are larger than %d bytes together", g.options.MaxHeader)})
		return
	}
	if handle, ok := g.fixed[r.URL.Path]; ok {
		g.serveFixed(w, r, handle)
		return
	}
	g.mux.ServeHTTP(w, r)
}

func headerSize(r *http.Request) int {
	size := 0
	for name, values := range r.Header {
		for _, v := range values {
			size += len(name) + len(v)
		}
	}
	return size
}

func (g *Gateway) serveFixed(w http.ResponseWriter, r *http.Request, handle http.HandlerFunc) {
	if r.Method != http.MethodGet && r.Method != http.MethodHead {
		w.Header().Set("Allow", "GET, HEAD")
		g.refuse(w, r, methodNotAllowed())
		return
	}
	handle(w, r)
}

// fixedPaths are the paths beside those of the contract.
func (g *Gateway) fixedPaths() map[string]http.HandlerFunc {
	paths := map[string]http.HandlerFunc{
		"/openapi.json":          func(w http.ResponseWriter, _ *http.Request) { writeJSON(w, http.StatusOK, api.OpenAPI) },
		"/.well-known/jwks.json": func(w http.ResponseWriter, _ *http.Request) { writeJSON(w, http.StatusOK, g.options.Keys()) },
		"/healthz":               func(w http.ResponseWriter, _ *http.Request) { writeJSON(w, http.StatusOK, []byte(`{"status":"live"}`)) },
		"/readyz":                g.readiness,
	}
	if g.options.Metrics != nil {
		paths["/metrics"] = g.options.Metrics.ServeHTTP
	}
	return paths
}

// readiness tells whether requests can be served; why not stays inside.
func (g *Gateway) readiness(w http.ResponseWriter, r *http.Request) {
	if err := g.options.Ready(r.Context()); err != nil {
		g.refuse(w, r, &refusal{http.StatusServiceUnavailable,
			fault.Wrap(fault.Unavailable, "NOT_READY", "the service is not ready to take requests", err)})
		return
	}
	writeJSON(w, http.StatusOK, []byte(`{"status":"ready"}`))
}

// strict refuses what the generated handlers would let pass: unknown query parameters, bodies where none is taken, other content
// types and bodies above the limit.
func (g *Gateway) strict(next runtime.HandlerFunc) runtime.HandlerFunc {
	return func(w http.ResponseWriter, r *http.Request, pathParams map[string]string) {
		pattern, _ := runtime.HTTPPattern(r.Context())
		route, ok := g.routes[r.Method+" "+pattern.String()]
		if !ok {
			g.refuse(w, r, noSuchRoute())
			return
		}
		refused := checkQuery(route, r.URL.RawQuery)
		if refused == nil {
			refused = checkBody(route, r, g.options.MaxBody)
		}
		if refused == nil {
			refused = unpack(r)
		}
		if refused != nil {
			if refused.status == http.StatusRequestEntityTooLarge {
				drain(r.Body)
			}
			g.refuse(w, r, refused)
			return
		}
		r.Body = &body{ReadCloser: http.MaxBytesReader(w, r.Body, g.options.MaxBody), whole: r.Body, route: route, params: pathParams}
		if route.streams {
			g.serveStream(w, r, pathParams, route, next)
			return
		}
		next(w, r, pathParams)
	}
}

func checkBody(route *route, r *http.Request, limit int64) *refusal {
	if route.body == "" {
		if r.ContentLength != 0 {
			return &refusal{http.StatusBadRequest, fault.New(fault.Invalid, "BODY_NOT_TAKEN", "this method takes no body")}
		}
		return nil
	}
	kind, parameters, err := mime.ParseMediaType(r.Header.Get("Content-Type"))
	charset := strings.ToLower(parameters["charset"])
	if err != nil || kind != "application/json" || charset != "" && charset != "utf-8" {
		return &refusal{http.StatusUnsupportedMediaType, fault.New(fault.Invalid, "CONTENT_TYPE", "the body must be application/json in UTF-8")}
	}
	if r.ContentLength > limit {
		return bodyTooLarge(limit)
	}
	return nil
}

func noSuchRoute() *refusal {
	return &refusal{http.StatusNotFound, fault.New(fault.NotFound, "NO_SUCH_ROUTE", "there is no such route; /openapi.json lists those there are")}
}

func methodNotAllowed() *refusal {
	return &refusal{http.StatusMethodNotAllowed, fault.New(fault.Unimplemented, "METHOD_NOT_ALLOWED",
		"this route does not take that HTTP method; the Allow header lists those it takes")}
}

func badPath(status int) *refusal {
	return &refusal{status, fault.New(fault.Invalid, "MALFORMED_PATH", fmt.Sprintf("the path cannot be read (%s)", http.StatusText(status)))}
}
