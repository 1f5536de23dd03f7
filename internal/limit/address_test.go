package limit

import (
	"context"
	"net/netip"
	"strings"
	"testing"
)

func TestAddressName(t *testing.T) {
	for address, want := range map[string]string{
		"192.0.2.7": "192.0.2.7", "::ffff:192.0.2.7": "192.0.2.7", "2001:db8:1:2:3:4:5:6": "2001:db8:1:2::/64", "2001:db8:1:2::": "2001:db8:1:2::/64",
		"fe80::1%eth0": "fe80::/64",
	} {
		if got := AddressName(netip.MustParseAddr(address)); got != want {
			t.Errorf("%s: %s, want %s", address, got, want)
		}
	}
	if AddressName(netip.Addr{}) == "" {
		t.Error("no address has no name")
	}
}

func TestClientAddress(t *testing.T) {
	trusted, err := ParseProxies("10.0.0.0/8, 2001:db8:ff::/48")
	if err != nil {
		t.Fatal(err)
	}
	for _, tt := range []struct {
		name, peer string
		forwarded  []string
		want       string
	}{
		{"no proxy", "192.0.2.7", nil, "192.0.2.7"},
		{"somebody's word", "192.0.2.7", []string{"198.51.100.1"}, "192.0.2.7"},
		{"proxy", "10.0.0.1", []string{"198.51.100.1"}, "198.51.100.1"},
		{"proxy with port", "10.0.0.1", []string{"198.51.100.1:4711"}, "198.51.100.1"},
		{"proxy, IPv6", "2001:db8:ff::1", []string{"2001:db8:1::7"}, "2001:db8:1::7"},
		{"proxy, IPv6 with port", "10.0.0.1", []string{"[2001:db8:1::7]:4711"}, "2001:db8:1::7"},
		{"proxy, mapped", "::ffff:10.0.0.1", []string{"::ffff:198.51.100.1"}, "198.51.100.1"},
		{"what the caller claimed stands left", "10.0.0.1", []string{"203.0.113.9, 198.51.100.1"}, "198.51.100.1"},
		{"two proxies", "10.0.0.1", []string{"203.0.113.9, 198.51.100.1, 10.0.0.2"}, "198.51.100.1"},
		{"two fields", "10.0.0.1", []string{"203.0.113.9", "198.51.100.1", "10.0.0.2"}, "198.51.100.1"},
		{"proxies only", "10.0.0.1", []string{"10.0.0.3, 10.0.0.2"}, "10.0.0.3"},
		{"nothing said", "10.0.0.1", nil, "10.0.0.1"},
		{"empty", "10.0.0.1", []string{""}, "10.0.0.1"},
		{"garbage", "10.0.0.1", []string{"198.51.100.1, unknown"}, "10.0.0.1"},
		{"garbage behind a proxy", "10.0.0.1", []string{"unknown, 10.0.0.2"}, "10.0.0.2"},
		{"line breaks", "10.0.0.1", []string{"198.51.100.1\r\nX: y"}, "10.0.0.1"},
	} {
		if got := ClientAddress(netip.MustParseAddr(tt.peer), tt.forwarded, trusted); got.String() != tt.want {
			t.Errorf("%s: %v, want %s", tt.name, got, tt.want)
		}
	}
	if got := ClientAddress(netip.Addr{}, []string{"192.0.2.1"}, trusted); got.IsValid() {
		t.Errorf("without a peer: %v", got)
	}
}

func TestParseProxies(t *testing.T) {
	for list, want := range map[string]string{
		"": "", " ": "", "10.0.0.0/8": "10.0.0.0/8", " 10.0.0.0/8 ,192.0.2.1 , 2001:db8::/32": "10.0.0.0/8 192.0.2.1/32 2001:db8::/32", "::1": "::1/128",
	} {
		got, err := ParseProxies(list)
		var texts []string
		for _, p := range got {
			texts = append(texts, p.String())
		}
		if err != nil || strings.Join(texts, " ") != want {
			t.Errorf("%q: %v, %v", list, texts, err)
		}
	}
	for list, want := range map[string]string{
		"proxy.example": "neither", "10.0.0.0/33": "neither", "10.0.0.1/8": "10.0.0.0/8 is meant", "0.0.0.0/0": "every address", "::/0": "every address",
		"10.0.0.0/8,": "neither", ",10.0.0.0/8": "neither", "::ffff:10.0.0.0/104": "as such",
	} {
		if got, err := ParseProxies(list); err == nil || !strings.Contains(err.Error(), want) || got != nil {
			t.Errorf("%q: %v, %v, want %q", list, got, err, want)
		}
	}
}

func TestAddressOfContext(t *testing.T) {
	if AddressOf(context.Background()).IsValid() {
		t.Error("an address from nowhere")
	}
	a := netip.MustParseAddr("192.0.2.7")
	if got := AddressOf(WithAddress(context.Background(), a)); got != a {
		t.Error(got)
	}
}
