package gateway

import (
	"context"
	"net/http"
	"net/netip"

	"github.com/grpc-ecosystem/grpc-gateway/v2/runtime"
	"google.golang.org/grpc/metadata"

	"ponderal.example/internal/limit"
	"ponderal.example/internal/rpc"
)

// caller is what the gRPC server is told of whoever sent a request: what the app calls itself (X-Ponderal-App, else User-Agent), the address and, where
// there is one, the client certificate. No header reaches the names of the last two, since incoming lets none through.
func (g *Gateway) caller(_ context.Context, r *http.Request) metadata.MD {
	name := rpc.SanitiseApp(r.Header.Get(headerApp))
	if name == "" {
		name = rpc.SanitiseApp(r.UserAgent())
	}
	md := metadata.Pairs("x-ponderal-app", name)
	// An address that cannot be read is not sent, and the call is then refused.
	if peer, err := netip.ParseAddrPort(r.RemoteAddr); err == nil {
		md.Set(rpc.MetaPeerAddress, limit.ClientAddress(peer.Addr(), r.Header.Values("X-Forwarded-For"), g.options.TrustedProxies).String())
	}
	if certificate := rpc.PeerCertificate(r.TLS); certificate != "" {
		md.Set(rpc.MetaPeerCertificate, certificate)
	}
	return md
}

// outgoing is the allowlist of metadata that becomes response headers.
func outgoing(name string) (string, bool) {
	switch name {
	case rpc.MetaRateLimitPolicy:
		return "RateLimit-Policy", true
	case rpc.MetaRateLimit:
		return "RateLimit", true
	case rpc.MetaDisposition:
		return "Content-Disposition", true
	}
	return "", false
}

// forwardLimits tells the caller's limits on an answer that refuses, for which the mux sends no headers itself.
func forwardLimits(w http.ResponseWriter, md runtime.ServerMetadata) {
	for _, name := range []string{rpc.MetaRateLimitPolicy, rpc.MetaRateLimit} {
		header, _ := outgoing(name)
		for _, value := range md.HeaderMD.Get(name) {
			w.Header().Add(header, value)
		}
	}
}
