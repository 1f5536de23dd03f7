package e2e

import (
	"fmt"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"google.golang.org/grpc"
	"google.golang.org/grpc/credentials/insecure"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/reflect/protoreflect"

	pb "ponderal.example/api/ponderal/v1"
	"ponderal.example/internal/demo/caller"
	"ponderal.example/internal/gateway"
	"ponderal.example/internal/record"
)

// method is a method of the contract with its declared rule and a request that names records of the own clinic.
type method struct {
	protoreflect.MethodDescriptor
	name   string
	access *pb.Access
	in     proto.Message
}

// roleWords are the words of the contract for the roles.
var roleWords = map[pb.Role]record.Role{
	pb.Role_ROLE_EVALUATOR: record.RoleEvaluator, pb.Role_ROLE_REVIEWER: record.RoleReviewer, pb.Role_ROLE_CLINIC_ADMIN: record.RoleClinicAdmin,
	pb.Role_ROLE_STATION: record.RoleStation, pb.Role_ROLE_PAYER: record.RolePayer, pb.Role_ROLE_NETWORK_AUDITOR: record.RoleNetworkAuditor,
	pb.Role_ROLE_NETWORK_ADMIN: record.RoleNetworkAdmin,
}

func (m method) public() bool { return m.access.GetScope() == pb.Scope_SCOPE_PUBLIC }

// allows is the declared rule, and nothing else: one of the roles is enough.
func (m method) allows(h *holder) bool {
	return m.public() || slices.ContainsFunc(m.access.GetRoles(), func(r pb.Role) bool { return slices.Contains(h.roles, roleWords[r]) })
}

// namesClinic: the request says which clinic it is about.
func (m method) namesClinic() bool { return m.access.GetScope() == pb.Scope_SCOPE_NAMED_CLINIC }

// matrix is the whole service with two furnished clinics, and everybody who may call.
type matrix struct {
	*world
	test    *testing.T
	methods []method
	holders []*holder
	lines   []*line
	// The callers are here, another clinic is there, and nothing is nowhere.
	here, there, nowhere *place
	combinations         int
	digestAll, digestFor string
}

// everywhere is a digest of every row, and overThere one of those of the other clinic.
func (x *matrix) everywhere() string { return strings.Join(x.ask(x.digestAll), "\n") }
func (x *matrix) overThere() string  { return strings.Join(x.ask(x.digestFor), "\n") }

const callers = 4

func newMatrix(t *testing.T) *matrix {
	t.Helper()
	x := &matrix{world: newWorldWith(t, withSignIn(t)), test: t, here: placeOf(2), there: placeOf(1), nowhere: placeOf(9)}
	must(x.cases.PutPayer(x.ctx, x.network(""), record.Payer{ID: otherPayer, Name: "Imagined Assurance"}, 0))(t)
	x.furnish(x.here, westMark, payer)
	x.furnish(x.there, eastMark, otherPayer)
	x.holders = x.world.holders(x.here, payer)
	for _, role := range record.Roles() {
		if !slices.ContainsFunc(x.holders, func(h *holder) bool { return len(h.roles) == 1 && h.roles[0] == role }) {
			t.Errorf("nobody in the matrix has the role %s alone: add a holder", role)
		}
	}
	if len(roleWords) != len(record.Roles()) || len(roleWords) != pb.Role(0).Descriptor().Values().Len()-1 {
		t.Errorf("roleWords names %d roles, the contract %d", len(roleWords), pb.Role(0).Descriptor().Values().Len()-1)
	}
	for i := range 260 {
		// The other clinic's log is longer than the own ever gets here, so that its newest entry is a number that the own has not.
		must(x.cases.PutJobProfile(x.ctx, x.admin(x.there.clinic), record.JobProfile{ID: id("b2", i), Title: eastMark,
			Tasks: []record.JobTask{{Name: eastMark, Zone: record.FloorWaist, Pace: record.Occasional, Load: lb(t, 36)}}}, 0))(t)
	}
	x.there.ids["entry"] = x.ask("SELECT (size - 1)::text FROM ponderal.audit_head WHERE clinic_id = $1", x.there.clinic)[0]
	conn := must(grpc.NewClient(x.at.GRPC, grpc.WithTransportCredentials(insecure.NewCredentials())))(t)
	t.Cleanup(func() { _ = conn.Close() })
	for range callers {
		x.lines = append(x.lines, x.newLine(conn))
	}
	x.digestAll, x.digestFor = x.digests(""), x.digests(x.there.clinic)
	x.methods = methodsOf(t, x.here)
	x.clock.set(day.Add(2 * time.Hour))
	return x
}

// methodsOf reads the contract. A method that declares no rule, or that nobody has made a request for, fails the test.
func methodsOf(t *testing.T, p *place) []method {
	t.Helper()
	var all []method
	for _, service := range gateway.Services() {
		for i := range service.Methods().Len() {
			d := service.Methods().Get(i)
			m := method{MethodDescriptor: d, name: methodName(d)}
			var ok bool
			if m.access, ok = proto.GetExtension(d.Options(), pb.E_Access).(*pb.Access); !ok || m.access == nil {
				t.Errorf("%s declares no access rule", m.name)
				continue
			}
			if m.in, ok = sample(t, d, p); !ok {
				t.Errorf("%s is not in the matrix: give it a request in matrix_requests_test.go (askedFor, examples or writesAt)", m.name)
				continue
			}
			all = append(all, m)
		}
	}
	slices.SortFunc(all, func(a, b method) int { return strings.Compare(a.name, b.name) })
	return all
}

// attempt is one combination.
type attempt struct {
	says string
	way  caller.Way
	auth string
	in   proto.Message
	// class holds those that must get the same answer.
	class string
	got   answer
}

// try makes the attempts at a method, several at once.
func (x *matrix) try(m method, all []*attempt) {
	x.test.Helper()
	x.combinations += len(all)
	work := make(chan *attempt)
	var wait sync.WaitGroup
	for _, l := range x.lines {
		wait.Go(func() {
			for a := range work {
				a.got = l.call(x.ctx, x.test, a.way, a.auth, m, a.in)
			}
		})
	}
	for _, a := range all {
		work <- a
	}
	close(work)
	wait.Wait()
}

// refused demands of every attempt the code, which for a public method is OK, and of those of a class the same answer to the byte, over all methods.
func (x *matrix) refused(m method, all []*attempt, code string, http int, firsts map[string]answer) {
	t := x.test
	t.Helper()
	for _, a := range all {
		if a.got.code != code || a.way == caller.REST && a.got.http != http {
			t.Errorf("%s over %v, %s: %s, HTTP %d, want %s, %d", m.name, a.way, a.says, a.got.code, a.got.http, code, http)
			continue
		}
		class := fmt.Sprint(a.way, a.class)
		first, known := firsts[class]
		if !known {
			firsts[class] = a.got
		} else if first.raw != a.got.raw {
			t.Errorf("%s over %v, %s: answered\n%q\nwhere others of %s are answered\n%q", m.name, a.way, a.says, a.got.raw, a.class, first.raw)
		}
	}
}

// unchanged runs attempts that may change nothing, and demands that not one row of any clinic came, went or changed.
func (x *matrix) unchanged(m method, what string, do func()) {
	x.test.Helper()
	before := x.everywhere()
	do()
	if after := x.everywhere(); after != before {
		x.test.Errorf("%s: %s changed rows:\n%s\nbefore\n%s", m.name, what, after, before)
	}
}

// TestAccessMatrix calls every method of the contract as everybody, over both transports: without a credential and with every kind that does not
// work, with roles that the method's declared rule does not name, with the records of another clinic, and with the own. What is expected
// comes from the declared rules alone.
func TestAccessMatrix(t *testing.T) {
	t.Parallel()
	x := newMatrix(t)
	if t.Failed() {
		t.FailNow()
	}
	for _, stage := range []struct {
		name string
		run  func()
	}{{"strangers", x.strangers}, {"roles that are not enough", x.notEnough}, {"another clinic's records", x.foreign}, {"the own records", x.own}} {
		from, begun := x.combinations, time.Now()
		stage.run()
		t.Logf("%s: %d combinations in %v", stage.name, x.combinations-from, time.Since(begun).Round(time.Millisecond))
	}
	if own := number(x.ask("SELECT size::text FROM ponderal.audit_head WHERE clinic_id = $1", x.here.clinic)[0]); own > number(x.there.ids["entry"]) {
		t.Errorf("the own log has %d entries, so the other's entry %s was no foreign number: make the other longer", own, x.there.ids["entry"])
	}
	t.Logf("%d methods, %d holders, %d combinations", len(x.methods), len(x.holders), x.combinations)
	if x.combinations < 100*len(x.methods) {
		t.Errorf("only %d combinations of %d methods", x.combinations, len(x.methods))
	}
}

// strangers: whoever shows nothing that works is not let in, and is told nothing that depends on the method, on the request or on what is stored.
// Only who shows the right secret learns that it has expired or is revoked.
func (x *matrix) strangers() {
	const unknown = "pdl_AAAAAAAAQAAAAAAAAAAAAA_AAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAA"
	auths := [][3]string{ // class, what it is, authorization
		{"without credential", "no credential", ""}, {"malformed", "another scheme", "Basic eDp5"}, {"malformed", "a scheme alone", "Bearer"},
		{"unknown", "no token", "Bearer garbage"}, {"unknown", "a token that is none of the network's", "Bearer " + unknown},
	}
	for _, h := range x.holders {
		auths = append(auths,
			[3]string{"expired", h.name + ", expired", "Bearer " + h.expired}, [3]string{"revoked", h.name + ", revoked", "Bearer " + h.revoked},
			[3]string{"unknown", h.name + ", wrong secret", "Bearer " + wrongSecret(h.live)},
			[3]string{"unknown", h.name + ", expired and wrong secret", "Bearer " + wrongSecret(h.expired)},
			[3]string{"unknown", h.name + ", revoked and wrong secret", "Bearer " + wrongSecret(h.revoked)})
	}
	for _, h := range x.holders {
		if h.left != "" {
			auths = append(auths, [3]string{"left", h.name + ", has left", "Bearer " + h.left})
		}
	}
	firsts := map[string]answer{}
	for _, m := range x.methods {
		var all []*attempt
		for _, way := range both {
			for _, a := range auths {
				all = append(all, &attempt{says: a[1], way: way, auth: a[2], in: m.in, class: a[0]})
			}
		}
		x.unchanged(m, "a stranger", func() { x.try(m, all) })
		if knocks[m.name] {
			x.refusedToAll(m, all)
			continue
		}
		if m.public() {
			x.open(m, all)
			continue
		}
		x.refused(m, all, "UNAUTHENTICATED", 401, firsts)
	}
}

// open demands that everybody gets the same good answer.
func (x *matrix) open(m method, all []*attempt) {
	x.test.Helper()
	for _, a := range all {
		a.class = "everybody"
	}
	x.refused(m, all, "OK", 200, map[string]answer{})
}

// notEnough: a role that the rule does not name is refused with the same words whatever it asks for, and a clinic's credential that names another
// clinic is refused alike whether there is such a clinic or not.
func (x *matrix) notEnough() {
	firsts := map[string]answer{}
	for _, m := range x.methods {
		names := uses(x.test, m.in, x.here)
		asks := map[string]proto.Message{"own records": m.in, "another clinic's records": moved(x.test, m.in, x.here, x.there, names...),
			"records that are not there": moved(x.test, m.in, x.here, x.nowhere, names...)}
		var all []*attempt
		for _, h := range x.holders {
			for _, way := range both {
				add := func(class, says string, in proto.Message) {
					all = append(all, &attempt{says: h.name + ", " + says, way: way, auth: "Bearer " + h.live, in: in, class: class})
				}
				switch {
				case !m.allows(h):
					for says, in := range asks {
						add("role not enough for "+m.name, says, in) // the answer names the roles, which the contract publishes
					}
				case m.namesClinic() && !h.network:
					add("other clinic", "naming another clinic", naming(x.test, m.in, x.there.clinic))
					add("other clinic", "naming a clinic that is not there", naming(x.test, m.in, x.nowhere.clinic))
				}
			}
		}
		x.unchanged(m, "a refused call", func() { x.try(m, all) })
		x.refused(m, all, "PERMISSION_DENIED", 403, firsts)
	}
}
