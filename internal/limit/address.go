package limit

import (
	"context"
	"fmt"
	"net/netip"
	"strings"
)

// A /64 is what one subscriber commonly has (RFC 6177), and within it an address is chosen at will (RFC 8981).
const subscriber = 64

// AddressName is what of an address a limit goes by: all of an IPv4 address, the first 64 bits of an IPv6 address. An address that is none has
// a name of its own, which all such callers share.
func AddressName(a netip.Addr) string {
	a = a.Unmap().WithZone("")
	if !a.Is6() {
		return a.String()
	}
	prefix, err := a.Prefix(subscriber)
	if err != nil {
		return a.String()
	}
	return prefix.String()
}

// ClientAddress is the address of whoever sent a request: the peer of the connection or, where the peer is a trusted proxy, what the header
// X-Forwarded-For says, read from the right: the first hop that is no trusted proxy. forwarded are the header's values in their order. What
// cannot be read ends the reading: the last proxy that could be read counts then, because what stands further left is anybody's word.
func ClientAddress(peer netip.Addr, forwarded []string, trusted []netip.Prefix) netip.Addr {
	peer = peer.Unmap().WithZone("")
	if !contains(trusted, peer) {
		return peer
	}
	hops := strings.Split(strings.Join(forwarded, ","), ",")
	for i := len(hops) - 1; i >= 0; i-- {
		hop, ok := parseHop(strings.TrimSpace(hops[i]))
		if !ok {
			return peer
		}
		if peer = hop; !contains(trusted, hop) {
			return hop
		}
	}
	return peer
}

// parseHop reads an address with or without a port.
func parseHop(s string) (netip.Addr, bool) {
	if a, err := netip.ParseAddr(strings.Trim(s, "[]")); err == nil {
		return a.Unmap().WithZone(""), true
	}
	ap, err := netip.ParseAddrPort(s)
	return ap.Addr().Unmap().WithZone(""), err == nil
}

func contains(all []netip.Prefix, a netip.Addr) bool {
	for _, p := range all {
		if p.Contains(a) {
			return true
		}
	}
	return false
}

// ParseProxies reads a list of networks, such as `10.0.0.0/8, 2001:db8::/32`; an address stands for itself. Empty is none.
func ParseProxies(list string) ([]netip.Prefix, error) {
	var all []netip.Prefix
	for part := range strings.SplitSeq(list, ",") {
		part = strings.TrimSpace(part)
		if part == "" && strings.TrimSpace(list) == "" {
			continue
		}
		p, err := netip.ParsePrefix(part)
		if a, addrErr := netip.ParseAddr(part); err != nil && addrErr == nil {
			p, err = a.Prefix(a.BitLen())
		}
		switch {
		case err != nil:
			return nil, fmt.Errorf("%q is neither a network such as 10.0.0.0/8 nor an address", part)
		case p != p.Masked():
			return nil, fmt.Errorf("%q has bits beyond its length; %s is meant", part, p.Masked())
		case p.Bits() == 0:
			return nil, fmt.Errorf("%q is every address, which anybody could then claim to have", part)
		case p.Addr().Is4In6():
			return nil, fmt.Errorf("%q: write an IPv4 network as such", part)
		}
		all = append(all, p)
	}
	return all, nil
}

type addressKey struct{}

// WithAddress notes whose address the request of a context comes from.
func WithAddress(ctx context.Context, a netip.Addr) context.Context {
	return context.WithValue(ctx, addressKey{}, a)
}

// AddressOf is the address that was noted; the zero Addr where none was.
func AddressOf(ctx context.Context) netip.Addr {
	a, _ := ctx.Value(addressKey{}).(netip.Addr)
	return a
}
