package gateway

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"net"
	"net/http"
	"net/netip"

	"github.com/grpc-ecosystem/grpc-gateway/v2/runtime"
	"github.com/prometheus/client_golang/prometheus"
	"google.golang.org/grpc"
	"google.golang.org/grpc/credentials/insecure"
	"google.golang.org/protobuf/reflect/protoreflect"

	pb "ponderal.example/api/ponderal/v1"
	"ponderal.example/internal/rpc"
)

// The usual limits, in bytes.
const (
	// UsualMaxBody is the largest body taken.
	UsualMaxBody = 4 << 20
	// UsualMaxHeader is the most that the names and values of a request's headers may have together.
	UsualMaxHeader = 32 << 10
	// maxAnswer is the largest message taken from the gRPC server, which is ours: a page of 500 large sessions is some tens of MiB.
	maxAnswer = 128 << 20
)

// Options are what the gateway needs. Zero limits mean the usual ones; Metrics may be nil; everything else must be given.
type Options struct {
	// Dial connects to the gRPC server inside the process.
	Dial         func(context.Context) (net.Conn, error)
	Logger       *slog.Logger
	Registry     *prometheus.Registry
	NewRequestID func() string
	// Keys is the public key set, JSON.
	Keys func() []byte
	// Ready is nil when requests can be served. It ends in time by itself.
	Ready func(context.Context) error
	// Metrics serves /metrics; nil where that is served elsewhere.
	Metrics   http.Handler
	MaxBody   int64
	MaxHeader int
	// TrustedProxies are the peers whose X-Forwarded-For is believed.
	TrustedProxies []netip.Prefix
	// PublicLogs says that anybody may read the tiles of logs, so that caches may share them.
	PublicLogs bool
}

// Gateway is the REST handler.
type Gateway struct {
	options  Options
	conn     *grpc.ClientConn
	mux      *runtime.ServeMux
	routes   routes
	fixed    map[string]http.HandlerFunc
	refusals *prometheus.CounterVec
}

// New makes the gateway. It connects with the first request.
func New(o Options) (*Gateway, error) {
	if o.Dial == nil || o.Logger == nil || o.Registry == nil || o.NewRequestID == nil || o.Keys == nil || o.Ready == nil {
		return nil, errors.New("make gateway: dialler, logger, registry, request ids, keys and readiness must be given")
	}
	if o.MaxBody == 0 {
		o.MaxBody = UsualMaxBody
	}
	if o.MaxHeader == 0 {
		o.MaxHeader = UsualMaxHeader
	}
	g := &Gateway{options: o, refusals: prometheus.NewCounterVec(prometheus.CounterOpts{
		Name: "ponderal_rest_refusals_total", Help: "REST requests refused before they reached a method, by reason.",
	}, []string{"reason"})}
	if err := o.Registry.Register(g.refusals); err != nil {
		return nil, fmt.Errorf("register metrics: %w", err)
	}
	var err error
	if g.routes, err = readRoutes(Services()); err != nil {
		return nil, err
	}
	if g.conn, err = dial(o.Dial); err != nil {
		return nil, err
	}
	if err := g.register(); err != nil {
		return nil, errors.Join(err, g.conn.Close())
	}
	g.fixed = g.fixedPaths()
	return g, nil
}

// Close ends the connection to the gRPC server.
func (g *Gateway) Close() error {
	if err := g.conn.Close(); err != nil {
		return fmt.Errorf("close the gateway's connection: %w", err)
	}
	return nil
}

// Services are the services of the contract.
func Services() []protoreflect.ServiceDescriptor {
	var all []protoreflect.ServiceDescriptor
	for _, file := range []protoreflect.FileDescriptor{
		pb.File_ponderal_v1_clinics_proto, pb.File_ponderal_v1_clients_proto, pb.File_ponderal_v1_protocols_proto,
		pb.File_ponderal_v1_kits_proto, pb.File_ponderal_v1_sessions_proto, pb.File_ponderal_v1_findings_proto,
		pb.File_ponderal_v1_results_proto, pb.File_ponderal_v1_audit_proto, pb.File_ponderal_v1_engine_proto,
		pb.File_ponderal_v1_advice_proto, pb.File_ponderal_v1_log_proto, pb.File_ponderal_v1_signin_proto,
		pb.File_ponderal_v1_retention_proto, pb.File_ponderal_v1_sync_proto, pb.File_ponderal_v1_webhooks_proto,
	} {
		for i := range file.Services().Len() {
			all = append(all, file.Services().Get(i))
		}
	}
	return all
}

func dial(dial func(context.Context) (net.Conn, error)) (*grpc.ClientConn, error) {
	conn, err := grpc.NewClient("passthrough:///in-process",
		grpc.WithContextDialer(func(ctx context.Context, _ string) (net.Conn, error) { return dial(ctx) }),
		// Nothing leaves the process on this connection.
		grpc.WithTransportCredentials(insecure.NewCredentials()),
		grpc.WithDisableServiceConfig(),
		grpc.WithDefaultCallOptions(grpc.MaxCallRecvMsgSize(maxAnswer)),
	)
	if err != nil {
		return nil, fmt.Errorf("connect the gateway: %w", err)
	}
	return conn, nil
}

// register builds the mux with the generated handlers of every service.
func (g *Gateway) register() error {
	g.mux = runtime.NewServeMux(
		runtime.WithMarshalerOption(runtime.MIMEWildcard, &runtime.HTTPBodyMarshaler{Marshaler: newStrictJSON()}),
		runtime.WithForwardResponseOption(g.cache),
		runtime.WithIncomingHeaderMatcher(incoming),
		runtime.WithOutgoingHeaderMatcher(outgoing),
		runtime.WithOutgoingTrailerMatcher(func(string) (string, bool) { return "", false }),
		runtime.WithMetadata(g.caller),
		runtime.WithErrorHandler(g.answerError),
		runtime.WithStreamErrorHandler(rpc.StreamErrors(streamFailed)),
		runtime.WithRoutingErrorHandler(g.answerNoRoute),
		runtime.WithMiddlewares(g.strict),
		runtime.WithDisablePathLengthFallback(),
		runtime.WithDisableHTTPMethodOverride(),
		runtime.WithUnescapingMode(runtime.UnescapingModeAllExceptReserved),
	)
	for _, handle := range []func(context.Context, *runtime.ServeMux, *grpc.ClientConn) error{
		pb.RegisterClinicServiceHandler, pb.RegisterMemberServiceHandler, pb.RegisterTokenServiceHandler,
		pb.RegisterClientServiceHandler, pb.RegisterReferralServiceHandler, pb.RegisterProtocolServiceHandler,
		pb.RegisterKitServiceHandler, pb.RegisterSessionServiceHandler, pb.RegisterFindingServiceHandler,
		pb.RegisterResultServiceHandler, pb.RegisterFeedServiceHandler, pb.RegisterKeyServiceHandler, pb.RegisterAuditServiceHandler,
		pb.RegisterEngineServiceHandler, pb.RegisterAdviceServiceHandler, pb.RegisterLogServiceHandler, pb.RegisterSyncServiceHandler,
		pb.RegisterSignInServiceHandler, pb.RegisterIdentityServiceHandler,
		pb.RegisterRetentionServiceHandler, pb.RegisterWebhookServiceHandler,
	} {
		if err := handle(context.Background(), g.mux, g.conn); err != nil {
			return fmt.Errorf("register REST handlers: %w", err)
		}
	}
	return nil
}

// incoming is the allowlist of request headers that reach the gRPC server. Authorization and Grpc-Timeout pass by themselves, and the
// app's name and what is known of the connection through caller.
func incoming(name string) (string, bool) {
	if name == headerRequestID {
		return "x-request-id", true
	}
	return "", false
}
