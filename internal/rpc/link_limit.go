package rpc

import (
	"context"
	"errors"
	"fmt"
	"net"
	"net/netip"
	"strconv"
	"time"

	"github.com/prometheus/client_golang/prometheus"
	"google.golang.org/grpc"
	"google.golang.org/grpc/metadata"
	"google.golang.org/grpc/peer"

	"ponderal.example/internal/authn"
	"ponderal.example/internal/fault"
	"ponderal.example/internal/limit"
)

// What the gateway says of the connection that a request came over. It is believed on connections inside the process alone; from
// outside nobody is heard with it.
const (
	MetaPeerAddress     = "x-ponderal-peer-address"
	MetaPeerCertificate = "x-ponderal-peer-certificate"
)

// The fields that tell callers of their limits (draft-ietf-httpapi-ratelimit-headers-10): over REST as headers, over gRPC as metadata.
const (
	MetaRateLimitPolicy = "ratelimit-policy"
	MetaRateLimit       = "ratelimit"
)

const metaForwarded = "x-forwarded-for"

// RateLimits bound how many calls are taken. Every number is positive: there is no way to switch a limit off.
type RateLimits struct {
	// PerMinute is for each holder of credentials, AddressPerMinute for each address.
	PerMinute, AddressPerMinute int
	// Shared is where all replicas count.
	Shared limit.Source
	// TrustedProxies are the peers whose X-Forwarded-For is believed.
	TrustedProxies []netip.Prefix
}

// refusedCost is how many calls a refused credential counts for against its address, so that guessing ends sooner than working.
const refusedCost = 10

// limiter refuses calls beyond the limits and tells callers how they stand.
type limiter struct {
	address, principal *limit.Leases
	trusted            []netip.Prefix
	refused            *prometheus.CounterVec
	// policy and addressPolicy are the values of RateLimit-Policy: both limits, and that of the address alone.
	policy, addressPolicy string
}

func newLimiter(o RateLimits, registry *prometheus.Registry, now func() time.Time) (*limiter, error) {
	if o.Shared == nil || o.PerMinute < 1 || o.AddressPerMinute < 1 {
		return nil, errors.New("make rpc server: calls a minute, of a holder and of an address, and where they are counted must be given")
	}
	address := limit.Policy{Name: "address", Calls: o.AddressPerMinute, Span: time.Minute}
	principal := limit.Policy{Name: "principal", Calls: o.PerMinute, Span: time.Minute}
	l := &limiter{
		address: limit.NewLeases(address, o.Shared, now), principal: limit.NewLeases(principal, o.Shared, now), trusted: o.TrustedProxies,
		refused: prometheus.NewCounterVec(prometheus.CounterOpts{
			Name: "ponderal_rate_limited_total", Help: "Calls refused because of a limit, by limit.",
		}, []string{"limit"}),
		addressPolicy: policyItem(address),
	}
	l.policy = policyItem(principal) + ", " + l.addressPolicy
	if err := registry.Register(l.refused); err != nil {
		return nil, fmt.Errorf("register metrics: %w", err)
	}
	return l, nil
}

func policyItem(p limit.Policy) string {
	return fmt.Sprintf("%q;q=%d;w=%d", p.Name, p.Calls, int(p.Span/time.Second))
}

// byAddress counts the call against its address, and a credential that is refused once more, at the shared count itself.
func (l *limiter) byAddress(ctx context.Context, c *call, next func(context.Context) error) error {
	if c.rule != nil && c.rule.Open {
		// Health is asked often, from few addresses, and nothing stands behind it.
		return next(ctx)
	}
	ctx, address, err := l.callerOf(ctx)
	if err != nil {
		return err
	}
	key := limit.KeyOf("address", limit.AddressName(address))
	state, err := l.address.Spend(ctx, key)
	if err != nil {
		return err
	}
	c.addressState = state
	if !state.Allowed {
		l.tell(ctx, c, limit.State{})
		return l.refuse(l.address, state)
	}
	err = next(limit.WithAddress(ctx, address))
	if !fault.Is(err, fault.Unauthenticated) {
		return err
	}
	l.tell(ctx, c, limit.State{})
	if chargeErr := l.address.Charge(ctx, key, refusedCost); chargeErr != nil {
		// What could not be counted is not answered.
		return chargeErr
	}
	return err
}

// byPrincipal counts the call against the holder of the credential.
func (l *limiter) byPrincipal(ctx context.Context, c *call, next func(context.Context) error) error {
	if c.rule.Open {
		return next(ctx)
	}
	if c.rule.public() {
		l.tell(ctx, c, limit.State{})
		return next(ctx)
	}
	state, err := l.principal.Spend(ctx, limit.KeyOf("principal", holderOf(c.principal)))
	if err != nil {
		return err
	}
	l.tell(ctx, c, state)
	if !state.Allowed {
		return l.refuse(l.principal, state)
	}
	return next(ctx)
}

// holderOf names who holds the credential, whose tokens all count together.
func holderOf(p authn.Principal) string {
	switch {
	case p.MemberID != "":
		return "member " + p.ClinicID + " " + p.MemberID
	case p.PayerID != "":
		return "payer " + p.PayerID
	case p.IdentityID != "":
		return "identity " + p.IdentityID
	}
	return "token " + p.TokenID
}

func (l *limiter) refuse(of *limit.Leases, state limit.State) error {
	l.refused.WithLabelValues(of.Policy().Name).Inc()
	f := fault.New(fault.Overloaded, "RATE_LIMITED", "too many calls; send the same request again after the time that this answer names")
	f.RetryAfter = state.Reset
	return f
}

// tell sends the caller its limits, once a call. principal is the zero State where none is known.
func (l *limiter) tell(ctx context.Context, c *call, principal limit.State) {
	if c.told {
		return
	}
	c.told = true
	policy, value := l.addressPolicy, make([]byte, 0, 64)
	if principal != (limit.State{}) {
		policy = l.policy
		value = append(stateItem(value, "principal", principal), ", "...)
	}
	value = stateItem(value, "address", c.addressState)
	// Fails only where headers have gone out already, which nothing before the handler does.
	_ = grpc.SetHeader(ctx, metadata.MD{MetaRateLimitPolicy: {policy}, MetaRateLimit: {string(value)}})
}

func stateItem(b []byte, name string, s limit.State) []byte {
	b = append(append(append(b, '"'), name...), `";r=`...)
	b = strconv.AppendInt(b, int64(s.Left), 10)
	return strconv.AppendInt(append(b, ";t="...), int64((s.Reset+time.Second-1)/time.Second), 10)
}

// callerOf is the address of the caller, with a context in which a caller from outside is not heard with what only the gateway may say.
func (l *limiter) callerOf(ctx context.Context) (context.Context, netip.Addr, error) {
	if inProcess(ctx) {
		said := metadata.ValueFromIncomingContext(ctx, MetaPeerAddress)
		if len(said) != 1 {
			return ctx, netip.Addr{}, fault.New(fault.Internal, "PEER_UNKNOWN", "an internal error")
		}
		address, err := netip.ParseAddr(said[0])
		if err != nil {
			return ctx, netip.Addr{}, fault.Wrap(fault.Internal, "PEER_UNKNOWN", "an internal error", err)
		}
		return ctx, address, nil
	}
	if len(metadata.ValueFromIncomingContext(ctx, MetaPeerAddress))+len(metadata.ValueFromIncomingContext(ctx, MetaPeerCertificate)) > 0 {
		// This is a copy of the caller's.
		md, _ := metadata.FromIncomingContext(ctx)
		md.Delete(MetaPeerAddress)
		md.Delete(MetaPeerCertificate)
		ctx = metadata.NewIncomingContext(ctx, md)
	}
	return ctx, limit.ClientAddress(peerAddress(ctx), metadata.ValueFromIncomingContext(ctx, metaForwarded), l.trusted), nil
}

// peerAddress is the address of the TCP peer; the zero Addr where there is none.
func peerAddress(ctx context.Context) netip.Addr {
	p, ok := peer.FromContext(ctx)
	if !ok {
		return netip.Addr{}
	}
	if tcp, ok := p.Addr.(*net.TCPAddr); ok {
		return tcp.AddrPort().Addr().Unmap()
	}
	return netip.Addr{}
}
