package rpc

import (
	"errors"
	"fmt"

	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/reflect/protoreflect"

	pb "ponderal.example/api/ponderal/v1"
	"ponderal.example/internal/record"
)

// Rule is the access rule of one method, as its descriptor declares it.
type Rule struct {
	Scope pb.Scope
	Roles []record.Role
	// ClinicOptional: a network credential may leave the clinic out and then acts on the network itself.
	ClinicOptional bool
	// Open marks the methods of the health and reflection services, which need no credential and carry no client's data.
	Open bool
	// Anybody: no credential is asked for, though the rule names roles; only for SCOPE_LOG where logs are public.
	Anybody bool
	// Streams: the answer is a stream.
	Streams bool
	// clinic is the request's field `clinic_id`, for SCOPE_NAMED_CLINIC and SCOPE_LOG.
	clinic protoreflect.FieldDescriptor
}

// Rules are the rules of every served method by full name, such as `/ponderal.v1.SessionService/PushSession`.
type Rules map[string]*Rule

// openServices are the only services that are served without access rules: they are not ours to annotate.
var openServices = map[protoreflect.FullName]bool{
	"grpc.health.v1.Health":               true,
	"grpc.reflection.v1.ServerReflection": true,
}

// clinicOptional are the methods in which a network credential that names no clinic acts on the network (clinics.proto says so).
var clinicOptional = map[protoreflect.FullName]bool{
	"ponderal.v1.TokenService.CreateToken":         true,
	"ponderal.v1.TokenService.ListTokens":          true,
	"ponderal.v1.TokenService.RevokeToken":         true,
	"ponderal.v1.IdentityService.PutIdentity":      true,
	"ponderal.v1.IdentityService.ListIdentities":   true,
	"ponderal.v1.IdentityService.IssueSetupCode":   true,
	"ponderal.v1.AuditService.ListLateCorrections": true,
}

// NewRules reads the rule of every method of the services. A method without a rule, or with one that cannot be enforced, is an error
// that names it; all such methods are named at once.
func NewRules(services ...protoreflect.ServiceDescriptor) (Rules, error) {
	rules := Rules{}
	var bad []error
	for _, service := range services {
		for i := range service.Methods().Len() {
			method := service.Methods().Get(i)
			rule, err := ruleOf(method)
			if err != nil {
				bad = append(bad, fmt.Errorf("method %s: %w", method.FullName(), err))
				continue
			}
			rules[fullMethod(method)] = rule
		}
	}
	if len(bad) > 0 {
		return nil, fmt.Errorf("read access rules: %w", errors.Join(bad...))
	}
	return rules, nil
}

// openLogs opens the methods that serve logs to anybody.
func (rs Rules) openLogs() {
	for _, r := range rs {
		r.Anybody = r.Scope == pb.Scope_SCOPE_LOG
	}
}

// public reports that no credential is asked for.
func (r *Rule) public() bool { return r.Open || r.Anybody || r.Scope == pb.Scope_SCOPE_PUBLIC }

func fullMethod(m protoreflect.MethodDescriptor) string {
	return fmt.Sprintf("/%s/%s", m.Parent().FullName(), m.Name())
}

func ruleOf(method protoreflect.MethodDescriptor) (*Rule, error) {
	if openServices[method.Parent().FullName()] {
		return &Rule{Open: true}, nil
	}
	options := method.Options()
	if options == nil || !proto.HasExtension(options, pb.E_Access) {
		return nil, errors.New("has no access rule")
	}
	access, ok := proto.GetExtension(options, pb.E_Access).(*pb.Access)
	if !ok {
		return nil, errors.New("has an access rule of an unknown form")
	}
	rule := &Rule{Scope: access.GetScope(), ClinicOptional: clinicOptional[method.FullName()], Streams: method.IsStreamingServer()}
	for _, role := range access.GetRoles() {
		word, ok := roles.word(role)
		if !ok {
			return nil, fmt.Errorf("names role %v, which is none", role)
		}
		rule.Roles = append(rule.Roles, word)
	}
	if rule.Scope == pb.Scope_SCOPE_NAMED_CLINIC || rule.Scope == pb.Scope_SCOPE_LOG {
		rule.clinic = method.Input().Fields().ByName("clinic_id")
	}
	return rule, rule.check()
}

// check refuses a rule that could not mean what it says.
func (r *Rule) check() error {
	switch r.Scope {
	case pb.Scope_SCOPE_PUBLIC:
		if len(r.Roles) > 0 {
			return errors.New("is public and names roles")
		}
		return nil
	case pb.Scope_SCOPE_CLINIC, pb.Scope_SCOPE_NETWORK, pb.Scope_SCOPE_PAYER, pb.Scope_SCOPE_OWN:
	case pb.Scope_SCOPE_NAMED_CLINIC, pb.Scope_SCOPE_LOG:
		if r.clinic == nil || r.clinic.Kind() != protoreflect.StringKind || r.clinic.Cardinality() == protoreflect.Repeated {
			return errors.New("acts on a named clinic and its request has no string clinic_id")
		}
	default:
		return fmt.Errorf("has scope %v, which is none", r.Scope)
	}
	if len(r.Roles) == 0 {
		return errors.New("is not public and names no role")
	}
	return nil
}
