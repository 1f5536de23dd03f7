package rpc

import (
	"context"
	"errors"
	"net"
	"strings"
	"testing"
	"time"

	"github.com/prometheus/client_golang/prometheus"
	"google.golang.org/grpc"
	"google.golang.org/grpc/metadata"
	"google.golang.org/grpc/peer"

	"ponderal.example/internal/authn"
	"ponderal.example/internal/fault"
	"ponderal.example/internal/limit"
)

// lavish grants whatever is asked for and notes the keys.
type lavish struct {
	keys map[[32]byte]int
	err  error
}

func (l lavish) TakeTokens(_ context.Context, key [32]byte, want, capacity, _ int, _ time.Duration) (granted, left int, wait time.Duration, err error) {
	l.keys[key] += want
	return want, capacity - want, 0, l.err
}

func limiterOver(t testing.TB, source limit.Source) *limiter {
	t.Helper()
	at := time.Date(2026, 3, 2, 9, 15, 0, 0, time.UTC)
	l, err := newLimiter(RateLimits{PerMinute: 1_000_000_000, AddressPerMinute: 1_000_000_000, Shared: source}, prometheus.NewRegistry(), func() time.Time { return at })
	if err != nil {
		t.Fatal(err)
	}
	return l
}

// TestHolders: the tokens of one member, of one payer count together; others apart.
func TestHolders(t *testing.T) {
	all := map[string]authn.Principal{
		"member":                  {TokenID: "t1", ClinicID: "c", MemberID: "m"},
		"member elsewhere":        {TokenID: "t1", ClinicID: "d", MemberID: "m"},
		"payer":                   {TokenID: "t1", PayerID: "m"},
		"station":                 {TokenID: "t1", ClinicID: "c"},
		"another station":         {TokenID: "t2", ClinicID: "c"},
		"network, by an identity": {TokenID: "t3", IdentityID: "t1", Network: true},
	}
	seen := map[string]string{}
	for name, p := range all {
		if other, twice := seen[holderOf(p)]; twice {
			t.Errorf("%s and %s count together", name, other)
		}
		seen[holderOf(p)] = name
	}
	for _, p := range []authn.Principal{{TokenID: "t9", ClinicID: "c", MemberID: "m"}, {TokenID: "t9", PayerID: "m"}, {TokenID: "t9", IdentityID: "t1", Network: true}} {
		if _, known := seen[holderOf(p)]; !known {
			t.Errorf("another token of %s counts apart", holderOf(p))
		}
	}
}

// TestPeerInsideTheProcess: the gateway must say exactly once who calls; whatever else it said would be a defect, and nobody gets through.
func TestPeerInsideTheProcess(t *testing.T) {
	near, far := net.Pipe()
	defer func() { _ = near.Close(); _ = far.Close() }()
	inside := peer.NewContext(context.Background(), &peer.Peer{Addr: near.LocalAddr()})
	l := limiterOver(t, lavish{keys: map[[32]byte]int{}})
	for name, tt := range map[string]struct {
		said []string
		want string
	}{
		"once": {[]string{"192.0.2.7"}, "192.0.2.7"}, "IPv6": {[]string{"2001:db8::1"}, "2001:db8::1"}, "not at all": {nil, ""},
		"twice": {[]string{"192.0.2.7", "192.0.2.7"}, ""}, "no address": {[]string{"here"}, ""}, "empty": {[]string{""}, ""},
	} {
		ctx := metadata.NewIncomingContext(inside, metadata.MD{MetaPeerAddress: tt.said})
		_, got, err := l.callerOf(ctx)
		if tt.want == "" && !fault.Is(err, fault.Internal) || tt.want != "" && (err != nil || got.String() != tt.want) {
			t.Errorf("%s: %v, %v", name, got, err)
		}
	}
	// From outside the same words are gone for whoever comes after.
	outside := peer.NewContext(context.Background(), &peer.Peer{Addr: &net.TCPAddr{IP: net.IPv4(203, 0, 113, 5), Port: 1}})
	md := metadata.MD{MetaPeerAddress: {"192.0.2.7"}, MetaPeerCertificate: {"x 1"}, "other": {"stays"}}
	ctx, got, err := l.callerOf(metadata.NewIncomingContext(outside, md))
	left, _ := metadata.FromIncomingContext(ctx)
	if err != nil || got.String() != "203.0.113.5" || len(left) != 1 || left.Get("other")[0] != "stays" {
		t.Errorf("%v, %v, %v", got, left, err)
	}
	if len(md) != 3 {
		t.Error("the caller's own metadata was changed")
	}
}

// TestRefusedSignInsCount: a public method that refuses a credential counts like a method that asks for one; one that fails otherwise does not.
func TestRefusedSignInsCount(t *testing.T) {
	keys := map[[32]byte]int{}
	l := limiterOver(t, lavish{keys: keys})
	outside := peer.NewContext(context.Background(), &peer.Peer{Addr: &net.TCPAddr{IP: net.IPv4(203, 0, 113, 5), Port: 1}})
	key := limit.KeyOf("address", "203.0.113.5")
	for _, tt := range []struct {
		err  error
		want int
	}{
		{nil, 1}, {fault.New(fault.Denied, "X", "x"), 2}, {errors.New("x"), 0},
		{fault.New(fault.Unauthenticated, "X", "x"), refusedCost + 4},
	} {
		before := keys[key]
		var seen string
		err := l.byAddress(outside, &call{}, func(ctx context.Context) error { seen = limit.AddressOf(ctx).String(); return tt.err })
		if !errors.Is(err, tt.err) || seen != "203.0.113.5" {
			t.Errorf("%v: %v, address %s", tt.err, err, seen)
		}
		// Leases grow: 1, 2, (spent of it), 4.
		if got := keys[key] - before; got != tt.want {
			t.Errorf("%v: took %d, want %d", tt.err, got, tt.want)
		}
	}
}

// headers are those of an answer.
type headers struct {
	grpc.ServerTransportStream
	sent int
}

func (h *headers) SetHeader(md metadata.MD) error { h.sent += md.Len(); return nil }

// BenchmarkLimitLinks is what both limits cost a call of an ordinary caller, with telling of them.
func BenchmarkLimitLinks(b *testing.B) {
	l := limiterOver(b, lavish{keys: map[[32]byte]int{}})
	ctx := peer.NewContext(context.Background(), &peer.Peer{Addr: &net.TCPAddr{IP: net.IPv4(203, 0, 113, 5), Port: 1}})
	ctx = metadata.NewIncomingContext(ctx, metadata.Pairs("authorization", "Bearer "+strings.Repeat("x", 70), "user-agent", "station/1"))
	ctx = grpc.NewContextWithServerTransportStream(ctx, &headers{})
	c := &call{rule: &Rule{}, principal: authn.Principal{TokenID: "t1", ClinicID: "0190a8c4-0000-7000-8000-0000000000c1", MemberID: "0190a8c4-0000-7000-8000-0000000000d1"}}
	done := func(context.Context) error { return nil }
	inner := func(ctx context.Context) error { return l.byPrincipal(ctx, c, done) }
	b.ReportAllocs()
	for b.Loop() {
		c.told = false
		if err := l.byAddress(ctx, c, inner); err != nil {
			b.Fatal(err)
		}
	}
}
