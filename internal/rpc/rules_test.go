package rpc

import (
	"strings"
	"testing"

	"google.golang.org/genproto/googleapis/api/annotations"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/reflect/protodesc"
	"google.golang.org/protobuf/reflect/protoreflect"
	"google.golang.org/protobuf/reflect/protoregistry"
	"google.golang.org/protobuf/types/descriptorpb"

	pb "ponderal.example/api/ponderal/v1"
	"ponderal.example/internal/record"
)

// contract are all services of the package ponderal.v1, as registered with the process.
func contract(t testing.TB) []protoreflect.ServiceDescriptor {
	t.Helper()
	var all []protoreflect.ServiceDescriptor
	protoregistry.GlobalFiles.RangeFilesByPackage("ponderal.v1", func(f protoreflect.FileDescriptor) bool {
		for i := range f.Services().Len() {
			all = append(all, f.Services().Get(i))
		}
		return true
	})
	if len(all) != 21 {
		t.Fatalf("the contract has %d services, want 21", len(all))
	}
	return all
}

func TestEveryMethodHasAnAccessRuleAndARoute(t *testing.T) {
	for _, service := range contract(t) {
		for i := range service.Methods().Len() {
			m := service.Methods().Get(i)
			if _, err := NewRules(service); err != nil {
				t.Errorf("%s: %v", service.FullName(), err)
			}
			if rule, ok := proto.GetExtension(m.Options(), annotations.E_Http).(*annotations.HttpRule); !ok || rule.GetPattern() == nil {
				t.Errorf("%s has no HTTP rule", m.FullName())
			}
		}
	}
}

func TestClinicOptionalNamesMethodsOfTheContract(t *testing.T) {
	rules, err := NewRules(contract(t)...)
	if err != nil {
		t.Fatal(err)
	}
	optional := 0
	for method, rule := range rules {
		if rule.ClinicOptional {
			optional++
			if rule.Scope != pb.Scope_SCOPE_NAMED_CLINIC {
				t.Errorf("%s may leave out the clinic but has scope %v", method, rule.Scope)
			}
		}
	}
	if optional != len(clinicOptional) {
		t.Errorf("%d methods may leave out the clinic, the table names %d", optional, len(clinicOptional))
	}
}

// fakeService describes a service with one method and that rule; nil for a method without one.
func fakeService(t *testing.T, access *pb.Access, withClinic bool) protoreflect.ServiceDescriptor {
	t.Helper()
	options := &descriptorpb.MethodOptions{}
	if access != nil {
		proto.SetExtension(options, pb.E_Access, access)
	}
	in := &descriptorpb.DescriptorProto{Name: proto.String("Ask")}
	if withClinic {
		in.Field = []*descriptorpb.FieldDescriptorProto{{
			Name: proto.String("clinic_id"), Number: proto.Int32(1), JsonName: proto.String("clinicId"),
			Type:  descriptorpb.FieldDescriptorProto_TYPE_STRING.Enum(),
			Label: descriptorpb.FieldDescriptorProto_LABEL_OPTIONAL.Enum(),
		}}
	}
	file, err := protodesc.NewFile(&descriptorpb.FileDescriptorProto{
		Name: proto.String("fake.proto"), Package: proto.String("fake.v1"), Syntax: proto.String("proto3"),
		MessageType: []*descriptorpb.DescriptorProto{in},
		Service: []*descriptorpb.ServiceDescriptorProto{{
			Name: proto.String("FakeService"),
			Method: []*descriptorpb.MethodDescriptorProto{{
				Name: proto.String("Do"), InputType: proto.String(".fake.v1.Ask"), OutputType: proto.String(".fake.v1.Ask"), Options: options,
			}},
		}},
	}, protoregistry.GlobalFiles)
	if err != nil {
		t.Fatal(err)
	}
	return file.Services().Get(0)
}

func TestNewRules(t *testing.T) {
	reviewer := []pb.Role{pb.Role_ROLE_REVIEWER}
	for _, tt := range []struct {
		name   string
		access *pb.Access
		clinic bool
		want   string // part of the error; empty when the rule is taken
	}{
		{"no rule", nil, true, "has no access rule"},
		{"clinic", &pb.Access{Scope: pb.Scope_SCOPE_CLINIC, Roles: reviewer}, false, ""},
		{"clinic without roles", &pb.Access{Scope: pb.Scope_SCOPE_CLINIC}, false, "names no role"},
		{"no scope", &pb.Access{Roles: reviewer}, false, "which is none"},
		{"unknown scope", &pb.Access{Scope: 99, Roles: reviewer}, false, "which is none"},
		{"unspecified role", &pb.Access{Scope: pb.Scope_SCOPE_CLINIC, Roles: []pb.Role{0}}, false, "which is none"},
		{"unknown role", &pb.Access{Scope: pb.Scope_SCOPE_CLINIC, Roles: []pb.Role{99}}, false, "which is none"},
		{"public", &pb.Access{Scope: pb.Scope_SCOPE_PUBLIC}, false, ""},
		{"public with roles", &pb.Access{Scope: pb.Scope_SCOPE_PUBLIC, Roles: reviewer}, false, "is public and names roles"},
		{"named clinic", &pb.Access{Scope: pb.Scope_SCOPE_NAMED_CLINIC, Roles: reviewer}, true, ""},
		{"named clinic that cannot be named", &pb.Access{Scope: pb.Scope_SCOPE_NAMED_CLINIC, Roles: reviewer}, false, "no string clinic_id"},
		{"log", &pb.Access{Scope: pb.Scope_SCOPE_LOG, Roles: reviewer}, true, ""},
		{"log of a clinic that cannot be named", &pb.Access{Scope: pb.Scope_SCOPE_LOG, Roles: reviewer}, false, "no string clinic_id"},
		{"log without roles", &pb.Access{Scope: pb.Scope_SCOPE_LOG}, true, "names no role"},
		{"network", &pb.Access{Scope: pb.Scope_SCOPE_NETWORK, Roles: []pb.Role{pb.Role_ROLE_NETWORK_ADMIN}}, false, ""},
		{"payer", &pb.Access{Scope: pb.Scope_SCOPE_PAYER, Roles: []pb.Role{pb.Role_ROLE_PAYER}}, false, ""},
	} {
		rules, err := NewRules(fakeService(t, tt.access, tt.clinic))
		switch {
		case tt.want == "" && err != nil:
			t.Errorf("%s: refused: %v", tt.name, err)
		case tt.want == "" && rules["/fake.v1.FakeService/Do"] == nil:
			t.Errorf("%s: no rule under the method's full name: %v", tt.name, rules)
		case tt.want != "" && (err == nil || !strings.Contains(err.Error(), tt.want) || !strings.Contains(err.Error(), "fake.v1.FakeService.Do")):
			t.Errorf("%s: error %v, want one that names the method and says %q", tt.name, err, tt.want)
		}
	}
}

func TestRolesKeepTheirOrder(t *testing.T) {
	rules, err := NewRules(fakeService(t, &pb.Access{
		Scope: pb.Scope_SCOPE_CLINIC, Roles: []pb.Role{pb.Role_ROLE_STATION, pb.Role_ROLE_EVALUATOR},
	}, false))
	if err != nil {
		t.Fatal(err)
	}
	got := rules["/fake.v1.FakeService/Do"].Roles
	if len(got) != 2 || got[0] != record.RoleStation || got[1] != record.RoleEvaluator {
		t.Errorf("roles %v, want station, evaluator", got)
	}
}
