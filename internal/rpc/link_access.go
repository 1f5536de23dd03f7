package rpc

import (
	"context"
	"strings"
	"time"

	"google.golang.org/grpc"
	"google.golang.org/grpc/metadata"
	"google.golang.org/protobuf/proto"

	pb "ponderal.example/api/ponderal/v1"
	"ponderal.example/internal/authn"
	"ponderal.example/internal/fault"
	"ponderal.example/internal/record"
)

// Authenticator turns a bearer token into a principal. Errors are of the kinds Unauthenticated (only who shows the right secret
// is told that the token has expired or is revoked) or Unavailable. It is safe for concurrent use.
type Authenticator interface {
	Authenticate(ctx context.Context, bearer string) (authn.Principal, error)
}

// sendRequestID tells the caller the id under which the request is logged.
func sendRequestID(ctx context.Context, c *call, next func(context.Context) error) error {
	// Fails only where headers have gone out already, which nothing before this link does.
	_ = grpc.SetHeader(ctx, metadata.Pairs(metaRequestID, c.requestID))
	return next(ctx)
}

// limits are how long a call may take: fallback when the caller says nothing, most whatever it says.
type limits struct{ fallback, most time.Duration }

func (l limits) around(ctx context.Context, c *call, next func(context.Context) error) error {
	if c.rule != nil && c.rule.Open {
		// Watching health or reflecting may last as long as the connection.
		return next(ctx)
	}
	if c.rule != nil && c.rule.Streams {
		return aroundStream(ctx, next)
	}
	allowed := l.most
	if _, given := ctx.Deadline(); !given {
		allowed = l.fallback
	}
	ctx, cancel := context.WithTimeout(ctx, allowed)
	defer cancel()
	return next(ctx)
}

// authenticator fills in who calls. A method without a rule is refused here: nothing unknown is ever let through.
type authenticator struct {
	Authenticator
	// certificates is nil where client certificates authenticate nobody.
	certificates CertificateAuthenticator
}

func (a authenticator) around(ctx context.Context, c *call, next func(context.Context) error) error {
	if c.rule == nil {
		return fault.New(fault.Unimplemented, "NO_SUCH_METHOD", "there is no such method")
	}
	if !c.rule.public() {
		p, err := a.identify(ctx)
		if err != nil {
			return err
		}
		c.principal = p
	}
	c.principal.App, c.principal.RequestID = c.app, c.requestID
	return next(ctx)
}

// identify goes by the token, where there is an authorization of whatever form; only where there is none, by the connection's certificate.
func (a authenticator) identify(ctx context.Context) (authn.Principal, error) {
	if len(metadata.ValueFromIncomingContext(ctx, metaAuth)) == 0 {
		if p, shown, err := a.byCertificate(ctx); shown {
			return p, err
		}
	}
	bearer, err := bearerOf(ctx)
	if err != nil {
		return authn.Principal{}, err
	}
	return a.Authenticate(ctx, bearer)
}

// bearerOf reads `authorization: Bearer TOKEN` (RFC 6750), given exactly once.
func bearerOf(ctx context.Context) (string, error) {
	md, _ := metadata.FromIncomingContext(ctx)
	values := md.Get(metaAuth)
	if len(values) == 0 {
		return "", fault.New(fault.Unauthenticated, "NO_CREDENTIAL", "send a token: authorization: Bearer TOKEN")
	}
	scheme, token, ok := strings.Cut(values[0], " ")
	token = strings.TrimSpace(token)
	if len(values) > 1 || !ok || !strings.EqualFold(scheme, "bearer") || token == "" {
		return "", fault.New(fault.Unauthenticated, "MALFORMED_CREDENTIAL", "the authorization is not of the form: Bearer TOKEN, sent once")
	}
	return token, nil
}

// checkRole settles under which role the method is allowed: the first of the rule's roles that the credential carries.
func checkRole(ctx context.Context, c *call, next func(context.Context) error) error {
	if c.rule.public() {
		return next(ctx)
	}
	for _, role := range c.rule.Roles {
		if c.principal.Has(role) {
			c.principal.Role = role
			return next(ctx)
		}
	}
	return fault.Newf(fault.Denied, "ROLE_NEEDED", "the roles of this credential do not allow this method; it is for: %s", strings.Join(roleNames(c.rule.Roles), ", "))
}

func roleNames(roles []record.Role) []string {
	names := make([]string, len(roles))
	for i, r := range roles {
		names[i] = strings.ReplaceAll(string(r), "_", " ")
	}
	return names
}

// resolveClinic settles whose data the call acts on, by the rule's scope.
func resolveClinic(c *call, m proto.Message) error {
	if c.rule.Open {
		return nil
	}
	p := &c.principal
	switch c.rule.Scope {
	case pb.Scope_SCOPE_PUBLIC, pb.Scope_SCOPE_NETWORK, pb.Scope_SCOPE_OWN:
		return nil
	case pb.Scope_SCOPE_PAYER:
		return needPayer(p)
	case pb.Scope_SCOPE_CLINIC:
		if p.Role == record.RolePayer {
			return needPayer(p)
		}
		return needClinic(p)
	case pb.Scope_SCOPE_NAMED_CLINIC:
		named := strings.ToLower(m.ProtoReflect().Get(c.rule.clinic).String())
		return nameClinic(c.rule, p, named)
	case pb.Scope_SCOPE_LOG:
		return nameLog(c.rule, p, strings.ToLower(m.ProtoReflect().Get(c.rule.clinic).String()))
	}
	return fault.New(fault.Denied, "NO_RULE", "no rule allows this method")
}

func needPayer(p *authn.Principal) error {
	if p.PayerID == "" {
		return fault.New(fault.Denied, "PAYER_NEEDED", "this method is for the credential of a payer's system")
	}
	return nil
}

func needClinic(p *authn.Principal) error {
	if p.ClinicID == "" || p.Network {
		return fault.New(fault.Denied, "CLINIC_NEEDED", "this method is for the credential of a clinic")
	}
	return nil
}

// nameLog lets a clinic's credential follow its own log alone, and everybody else whom the rule lets in ask for the log that the request names; which
// of them a payer may follow depends on what was released to it, which the use case looks up.
func nameLog(rule *Rule, p *authn.Principal, named string) error {
	if !rule.Anybody && p.PayerID == "" {
		return nameClinic(rule, p, named)
	}
	if named == "" {
		return fault.InvalidFields([]fault.Violation{{Field: "clinic_id", Rule: "clinic.named", Text: "name the clinic whose log it is"}})
	}
	p.ClinicID = named
	return nil
}

// nameClinic lets a clinic's credential act on its clinic alone, and a network credential on the clinic that the request names.
func nameClinic(rule *Rule, p *authn.Principal, named string) error {
	if !p.Network {
		if err := needClinic(p); err != nil {
			return err
		}
		if named != "" && named != strings.ToLower(p.ClinicID) {
			return fault.New(fault.Denied, "OTHER_CLINIC", "the request names another clinic than the credential's")
		}
		return nil
	}
	if named == "" && !rule.ClinicOptional {
		return fault.InvalidFields([]fault.Violation{{
			Field: "clinic_id", Rule: "clinic.named", Text: "a network credential must name the clinic that it acts on",
		}})
	}
	p.ClinicID = named
	return nil
}
