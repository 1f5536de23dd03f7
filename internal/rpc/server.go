package rpc

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"maps"
	"slices"
	"time"

	"github.com/prometheus/client_golang/prometheus"
	"google.golang.org/grpc"
	"google.golang.org/grpc/health"
	healthpb "google.golang.org/grpc/health/grpc_health_v1"
	"google.golang.org/grpc/reflection"
	"google.golang.org/protobuf/reflect/protoreflect"
	"google.golang.org/protobuf/reflect/protoregistry"

	pb "ponderal.example/api/ponderal/v1"
	"ponderal.example/internal/fault"
)

// Cases are all use cases. Each is one transaction; each is safe for concurrent use and safe to repeat; errors are of package fault, and
// anything else is answered as Internal. The principal is complete: scope and role have been checked.
type Cases interface {
	ClinicCases
	MemberCases
	TokenCases
	SignInCases
	IdentityCases
	ClientCases
	ReferralCases
	ProtocolCases
	KitCases
	SessionCases
	FindingCases
	ResultCases
	AuditCases
	LogCases
	SyncCases
	RetentionCases
	WebhookCases
}

// The usual limits.
const (
	// UsualMaxMessage is the largest message taken, in bytes: a session with 40 series of 100 trials has about 1 MiB.
	UsualMaxMessage = 4 << 20
	// UsualDeadline is how long a call may take whose caller says nothing.
	UsualDeadline = 15 * time.Second
	// UsualMaxDeadline is how long a call may take whatever its caller says.
	UsualMaxDeadline = 60 * time.Second
)

// Options are what the server needs. Zero limits mean the usual ones; everything else must be given.
type Options struct {
	Cases           Cases
	Authenticator   Authenticator
	Logger          *slog.Logger
	Registry        *prometheus.Registry
	Now             func() time.Time
	NewRequestID    func() string
	MaxMessage      int
	DefaultDeadline time.Duration
	MaxDeadline     time.Duration
	// MaxInFlight is how many calls are worked on at a time, streams apart.
	MaxInFlight int
	// RateLimits must be given.
	RateLimits RateLimits
	// Certificates authenticates calls that come without a token over a connection with a client certificate; nil means that none do.
	Certificates CertificateAuthenticator
	// PublicLogs lets anybody read what has SCOPE_LOG: the hashes and signed heads of every clinic's log.
	PublicLogs bool
}

// Server is the gRPC server with the standard health service. Whoever made it serves it and stops it.
type Server struct {
	*grpc.Server
	health *health.Server
	drain  context.CancelFunc
}

// New makes the server with every service registered. It is an error if a method has no access rule. extra are the options of the
// transport (keepalive and the like).
func New(o Options, extra ...grpc.ServerOption) (*Server, error) {
	if err := o.complete(); err != nil {
		return nil, err
	}
	obs, err := newObserver(o)
	if err != nil {
		return nil, err
	}
	lim, err := newLimiter(o.RateLimits, o.Registry, o.Now)
	if err != nil {
		return nil, err
	}
	adm, err := newAdmission(o.MaxInFlight, o.Registry)
	if err != nil {
		return nil, err
	}
	draining, drain := context.WithCancel(context.Background())
	ch := &chain{}
	s := &Server{health: health.NewServer(), drain: drain, Server: grpc.NewServer(append(extra,
		grpc.MaxRecvMsgSize(o.MaxMessage),
		grpc.ForceServerCodecV2(newLenientCodec()),
		grpc.UnaryInterceptor(func(ctx context.Context, req any, info *grpc.UnaryServerInfo, h grpc.UnaryHandler) (any, error) {
			return ch.unary(ctx, req, info, h)
		}),
		grpc.StreamInterceptor(func(srv any, ss grpc.ServerStream, info *grpc.StreamServerInfo, h grpc.StreamHandler) error {
			return ch.stream(srv, ss, info, h)
		}),
		grpc.UnknownServiceHandler(func(any, grpc.ServerStream) error {
			return fault.New(fault.Unimplemented, "NO_SUCH_METHOD", "there is no such method")
		}),
	)...)}
	register(registrar{s.Server, ch}, o.Cases)
	healthpb.RegisterHealthServer(registrar{s.Server, ch}, s.health)
	reflection.RegisterV1(s)
	services, err := servicesOf(s.Server)
	if err != nil {
		return nil, err
	}
	rules, err := NewRules(services...)
	if err != nil {
		return nil, err
	}
	if o.PublicLogs {
		rules.openLogs()
	}
	v, err := newValidation(services)
	if err != nil {
		return nil, err
	}
	*ch = links(o, rules, obs, v, adm, lim, draining)
	s.SetServing(false)
	return s, nil
}

// SetServing tells the health service's callers whether to send requests here.
func (s *Server) SetServing(serving bool) {
	state := healthpb.HealthCheckResponse_NOT_SERVING
	if serving {
		state = healthpb.HealthCheckResponse_SERVING
	}
	s.health.SetServingStatus("", state)
}

// Drain refuses every further call but those of the gateway, whose requests are in flight, and ends the watching of health. It
// comes before the stop.
func (s *Server) Drain() {
	s.SetServing(false)
	s.drain()
}

func (o *Options) complete() error {
	if o.Cases == nil || o.Authenticator == nil || o.Logger == nil || o.Registry == nil || o.Now == nil || o.NewRequestID == nil {
		return errors.New("make rpc server: use cases, authenticator, logger, registry, clock and request ids must be given")
	}
	if o.MaxMessage == 0 {
		o.MaxMessage = UsualMaxMessage
	}
	if o.DefaultDeadline == 0 {
		o.DefaultDeadline = UsualDeadline
	}
	if o.MaxDeadline == 0 {
		o.MaxDeadline = UsualMaxDeadline
	}
	if o.MaxInFlight == 0 {
		o.MaxInFlight = UsualInFlight
	}
	return nil
}

func register(r grpc.ServiceRegistrar, c Cases) {
	pb.RegisterClinicServiceServer(r, clinics{cases: c})
	pb.RegisterMemberServiceServer(r, members{cases: c})
	pb.RegisterTokenServiceServer(r, tokens{cases: c, rotations: c})
	pb.RegisterSignInServiceServer(r, signIn{cases: c})
	pb.RegisterIdentityServiceServer(r, identities{cases: c})
	pb.RegisterClientServiceServer(r, clients{cases: c})
	pb.RegisterReferralServiceServer(r, referrals{cases: c})
	pb.RegisterProtocolServiceServer(r, protocols{cases: c})
	pb.RegisterKitServiceServer(r, kits{cases: c})
	pb.RegisterSessionServiceServer(r, sessions{cases: c})
	pb.RegisterFindingServiceServer(r, findings{cases: c})
	pb.RegisterResultServiceServer(r, results{cases: c})
	pb.RegisterFeedServiceServer(r, feed{cases: c})
	pb.RegisterKeyServiceServer(r, keys{cases: c})
	pb.RegisterAuditServiceServer(r, audit{cases: c})
	pb.RegisterLogServiceServer(r, logs{cases: c})
	pb.RegisterRetentionServiceServer(r, retention{cases: c})
	pb.RegisterSyncServiceServer(r, syncs{cases: c})
	pb.RegisterWebhookServiceServer(r, webhooks{cases: c})
	pb.RegisterEngineServiceServer(r, newEngine())
	pb.RegisterAdviceServiceServer(r, advice{})
}

// servicesOf are the descriptors of what is registered.
func servicesOf(s *grpc.Server) ([]protoreflect.ServiceDescriptor, error) {
	var out []protoreflect.ServiceDescriptor
	for _, name := range slices.Sorted(maps.Keys(s.GetServiceInfo())) {
		d, err := protoregistry.GlobalFiles.FindDescriptorByName(protoreflect.FullName(name))
		if err != nil {
			return nil, fmt.Errorf("find descriptor of service %s: %w", name, err)
		}
		service, ok := d.(protoreflect.ServiceDescriptor)
		if !ok {
			return nil, fmt.Errorf("find descriptor of service %s: it is none", name)
		}
		out = append(out, service)
	}
	return out, nil
}
