package webhook

import (
	"bytes"
	"context"
	"crypto/tls"
	"crypto/x509"
	"errors"
	"fmt"
	"net"
	"net/http"
	"net/netip"
	"strconv"
	"syscall"
	"time"

	standardwebhooks "github.com/standard-webhooks/standard-webhooks/libraries/go"
)

// UsualTimeout bounds a try from name look-up to the answer's head; the standard recommends 15 to 30 seconds.
const UsualTimeout = 15 * time.Second

const (
	connectWithin  = 5 * time.Second
	maxAnswerHead  = 16 << 10
	statusGone     = http.StatusGone
	agent          = "ponderal-webhook/1"
	contentType    = "application/json"
	headerTypeName = "Content-Type"
)

// The codes of tries that no status ended.
const (
	codeAddress    = "refused address"
	codeRedirect   = "redirect"
	codeHost       = "no such host"
	codeTimeout    = "timeout"
	codeTLS        = "tls"
	codeConnection = "connection"
)

// Codes are the codes of a Refused, beside `status N`.
func Codes() []string {
	return []string{codeAddress, codeRedirect, codeHost, codeTimeout, codeTLS, codeConnection}
}

// Options for NewClient. Zero limits mean the usual ones.
type Options struct {
	// Private allows addresses that are not public: loopback, private networks and the like.
	Private bool
	// Roots are the authorities that receivers' certificates are held against; nil means those of the machine.
	Roots   *x509.CertPool
	Timeout time.Duration
	Now     func() time.Time
}

// Client sends events. Safe for concurrent use.
type Client struct {
	http *http.Client
	now  func() time.Time
}

// Refused is why an event was not taken: Code is what may be kept and shown; Gone that the receiver never wants to hear again.
type Refused struct {
	Code string
	Gone bool
}

func (r *Refused) Error() string { return r.Code }

var errAddress = errors.New("the address is not public")

// NewClient makes a client.
func NewClient(o Options) (*Client, error) {
	if o.Now == nil {
		return nil, errors.New("make webhook client: a clock is needed")
	}
	if o.Timeout == 0 {
		o.Timeout = UsualTimeout
	}
	dialer := &net.Dialer{Timeout: connectWithin}
	if !o.Private {
		// Control sees the address that is about to be connected to, after the look-up, so that a name that changes its mind gains nothing.
		dialer.Control = func(_, address string, _ syscall.RawConn) error { return checkAddress(address) }
	}
	transport := &http.Transport{
		Proxy: nil, DialContext: dialer.DialContext, TLSClientConfig: &tls.Config{MinVersion: tls.VersionTLS12, RootCAs: o.Roots},
		TLSHandshakeTimeout: connectWithin, MaxResponseHeaderBytes: maxAnswerHead, DisableKeepAlives: true, DisableCompression: true,
	}
	return &Client{now: o.Now, http: &http.Client{Transport: transport, Timeout: o.Timeout,
		CheckRedirect: func(*http.Request, []*http.Request) error { return http.ErrUseLastResponse }}}, nil
}

// Send sends an event once, signed with each secret. Any status of 2xx takes it; everything else is a *Refused. The answer's body is not read.
func (c *Client) Send(ctx context.Context, address string, secrets []string, e Event) error {
	if wrong := CheckURL(address); wrong != "" {
		return &Refused{Code: codeAddress}
	}
	text, err := e.Body()
	if err != nil {
		return fmt.Errorf("write event: %w", err)
	}
	at := c.now()
	signature, err := Sign(e.ID(), at, text, secrets)
	if err != nil {
		return err
	}
	req, err := http.NewRequestWithContext(ctx, http.MethodPost, address, bytes.NewReader(text))
	if err != nil {
		return &Refused{Code: codeAddress}
	}
	req.Header.Set(headerTypeName, contentType)
	req.Header.Set("User-Agent", agent)
	req.Header.Set(standardwebhooks.HeaderWebhookID, e.ID())
	req.Header.Set(standardwebhooks.HeaderWebhookTimestamp, strconv.FormatInt(at.Unix(), 10))
	req.Header.Set(standardwebhooks.HeaderWebhookSignature, signature)
	resp, err := c.http.Do(req)
	if err != nil {
		return &Refused{Code: codeOf(err)}
	}
	_ = resp.Body.Close()
	switch {
	case resp.StatusCode >= 200 && resp.StatusCode < 300:
		return nil
	case resp.StatusCode >= 300 && resp.StatusCode < 400:
		return &Refused{Code: codeRedirect}
	}
	return &Refused{Code: fmt.Sprintf("status %d", resp.StatusCode), Gone: resp.StatusCode == statusGone}
}

// codeOf is how a try without an answer ended. Texts of errors hold addresses and are kept from whoever reads codes.
func codeOf(err error) string {
	var timeout interface{ Timeout() bool }
	var certificate *tls.CertificateVerificationError
	var record tls.RecordHeaderError
	var alert tls.AlertError
	var name *net.DNSError
	switch {
	case errors.Is(err, errAddress):
		return codeAddress
	case errors.As(err, &name) && !name.IsTimeout:
		return codeHost
	case errors.As(err, &timeout) && timeout.Timeout():
		return codeTimeout
	case errors.As(err, &certificate), errors.As(err, &record), errors.As(err, &alert), errors.Is(err, http.ErrSchemeMismatch):
		return codeTLS
	}
	return codeConnection
}

// special are the ranges that are neither private nor loopback by netip's own word and yet not of the public Internet (RFC 6890 and the IANA
// special-purpose address registries).
var special = prefixes("0.0.0.0/8", "100.64.0.0/10", "192.0.0.0/24", "192.0.2.0/24", "192.88.99.0/24", "198.18.0.0/15", "198.51.100.0/24", "203.0.113.0/24",
	"240.0.0.0/4", "2001::/23", "2001:db8::/32", "2002::/16", "3fff::/20")

func prefixes(texts ...string) []netip.Prefix {
	var out []netip.Prefix
	for _, t := range texts {
		if p, err := netip.ParsePrefix(t); err == nil {
			out = append(out, p)
		}
	}
	return out
}

// checkAddress refuses every address that is not of the public Internet.
func checkAddress(address string) error {
	at, err := netip.ParseAddrPort(address)
	if err != nil || !public(at.Addr()) {
		return errAddress
	}
	return nil
}

// public reports whether an address is of the public Internet; of version 6 that is 2000::/3 without the special ranges in it.
func public(a netip.Addr) bool {
	a = a.Unmap().WithZone("")
	if !a.IsGlobalUnicast() || a.IsPrivate() || a.Is6() && a.As16()[0]>>5 != 1 {
		return false
	}
	for _, p := range special {
		if p.Contains(a) {
			return false
		}
	}
	return true
}
