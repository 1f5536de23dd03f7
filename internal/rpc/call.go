package rpc

import (
	"context"
	"strings"
	"time"

	"google.golang.org/grpc/metadata"
	"google.golang.org/protobuf/proto"

	"ponderal.example/internal/authn"
	"ponderal.example/internal/limit"
)

// The names of metadata that the service reads and writes.
const (
	metaRequestID = "x-request-id"
	metaApp       = "x-ponderal-app"
	metaAgent     = "user-agent"
	metaAuth      = "authorization"
)

// maxAppLength is how many characters of an app's name are kept.
const maxAppLength = 100

// call is what the links learn about one call. It belongs to the call's goroutine until the observer has logged it.
type call struct {
	method    string
	rule      *Rule
	requestID string
	app       string
	principal authn.Principal
	now       func() time.Time
	// addressState is how the limit of the caller's address stands; told, that the caller was told of the limits.
	addressState limit.State
	told         bool
	// validate holds a message that stands within another to the rules that the contract declares for it.
	validate func(c *call, m proto.Message) error
	// broken is why the message could not be decoded; nil where it could.
	broken error
}

type callKey struct{}

// principalOf is who calls, for handlers: complete once the access link has passed.
func principalOf(ctx context.Context) authn.Principal {
	if c, ok := ctx.Value(callKey{}).(*call); ok {
		return c.principal
	}
	return authn.Principal{}
}

// newCall reads what the caller says of itself. A request id that is not plain is replaced, not repaired.
func (ch chain) newCall(ctx context.Context, method string) *call {
	md, _ := metadata.FromIncomingContext(ctx)
	c := &call{
		method: method, rule: ch.rules[method], requestID: first(md, metaRequestID), app: SanitiseApp(first(md, metaApp)), now: ch.now,
		validate: ch.validate,
		broken:   brokenOf(ctx),
	}
	if !PlainRequestID(c.requestID) {
		c.requestID = ch.newRequestID()
	}
	if c.app == "" {
		c.app = SanitiseApp(first(md, metaAgent))
	}
	return c
}

func first(md metadata.MD, key string) string {
	if values := md.Get(key); len(values) > 0 {
		return values[0]
	}
	return ""
}

// PlainRequestID reports whether a caller's request id may be used as it is: 1 to 64 letters, digits, points, dashes, underscores.
func PlainRequestID(id string) bool {
	if id == "" || len(id) > 64 {
		return false
	}
	return !strings.ContainsFunc(id, func(r rune) bool {
		letter := r >= 'a' && r <= 'z' || r >= 'A' && r <= 'Z'
		return !letter && (r < '0' || r > '9') && r != '.' && r != '-' && r != '_'
	})
}

// SanitiseApp is the name of an app as it may stand in the audit log: printable ASCII, at most 100 characters.
func SanitiseApp(name string) string {
	name = strings.Map(func(r rune) rune {
		if r < ' ' || r > '~' {
			return -1
		}
		return r
	}, name)
	if len(name) > maxAppLength {
		name = name[:maxAppLength]
	}
	return strings.TrimSpace(name)
}
