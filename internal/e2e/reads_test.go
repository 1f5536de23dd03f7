package e2e

import (
	"slices"
	"strings"
	"testing"

	pb "ponderal.example/api/ponderal/v1"
	"ponderal.example/internal/record"
)

// recordedReads are the methods by which somebody of the network is shown what a clinic has stored of people: each such read is an entry.
var recordedReads = map[string]bool{
	"AuditService/ListEntries": true, "AuditService/GetEntry": true, "AuditService/GetScoreHistory": true, "AuditService/ExportEntries": true,
	"AuditService/ListDisclosures": true, "AuditService/CompareFindings": true, "AuditService/ListLateCorrections": true,
	"RetentionService/ListLegalHolds": true,
}

// showNobody are the other methods and services that the network's auditor may call, with the reason why a read by them is no entry.
var showNobody = map[string]string{
	"AuditService/GetCheckpoint":  "hashes and a signature",
	"LogService":                  "hashes and signatures",
	"ClinicService":               "clinics and payers",
	"MemberService/GetMember":     "the clinic's own staff",
	"MemberService/ListMembers":   "the clinic's own staff",
	"TokenService/ListTokens":     "credentials, without their secrets",
	"TokenService/RotateToken":    "the caller's own credential",
	"IdentityService":             "who signs in at the clinic or network",
	"SignInService":               "the caller's own credential",
	"WebhookService":              "addresses of payers' systems, and ids",
	"EngineService":               "computes from what is sent",
	"AdviceService":               "computes from what is sent",
	"ProtocolService/GetProtocol": "how tests are run",
}

// auditorMethods are the methods that the declared rules let the network's auditor call.
func auditorMethods(x *matrix) []method {
	return slices.DeleteFunc(slices.Clone(x.methods), func(m method) bool { return !slices.Contains(m.access.GetRoles(), pb.Role_ROLE_NETWORK_AUDITOR) })
}

// TestEveryReadByTheAuditorIsRecorded ranges over all methods of the contract: one that the auditor may call, new or old, is either in recordedReads, and each call
// of it over either transport writes one record.read in the clinic's log, under the id of the request, or it is said why not, and it writes none.
func TestEveryReadByTheAuditorIsRecorded(t *testing.T) {
	t.Parallel()
	x := newMatrix(t)
	auditor := x.holder(string(record.RoleNetworkAuditor))
	found := map[string]bool{}
	for _, m := range auditorMethods(x) {
		service, _, _ := strings.Cut(m.name, "/")
		why := showNobody[m.name] + showNobody[service]
		if recordedReads[m.name] == (why != "") {
			t.Errorf("%s may be called by the network's auditor: put it in recordedReads or say in showNobody why a read by it is no entry", m.name)
			continue
		}
		found[m.name] = true
		if !reads(m) {
			continue
		}
		for _, way := range both {
			before := x.readEntries()
			got := x.lines[0].call(x.ctx, t, way, "Bearer "+auditor.live, m, m.in)
			wrote := x.readEntries() - before
			want := 0
			if recordedReads[m.name] {
				want = 1
			}
			if got.code != "OK" || wrote != want {
				t.Errorf("%s over %v: %s, and %d entries of reads, want %d: %q", m.name, way, got.code, wrote, want, got.raw)
			}
		}
	}
	for name := range recordedReads {
		if !found[name] {
			t.Errorf("there is no method %s that the auditor may call", name)
		}
	}
	// Without a clinic, the late corrections of all clinics are read, in each of which an entry says so.
	before := x.readEntries()
	late := x.find("AuditService/ListLateCorrections")
	if got := x.lines[0].call(x.ctx, t, both[0], "Bearer "+auditor.live, late, &pb.ListLateCorrectionsRequest{}); got.code != "OK" {
		t.Errorf("late corrections of all clinics: %s %q", got.code, got.raw)
	}
	if clinics := len(x.ask("SELECT clinic_id::text FROM ponderal.audit_head WHERE clinic_id <> $1", record.NetworkClinic)); x.readEntries()-before != clinics {
		t.Errorf("late corrections of all %d clinics wrote %d entries", clinics, x.readEntries()-before)
	}
	if said := x.ask("SELECT count(*)::text FROM ponderal.audit_entry WHERE action = 'record.read' AND content::jsonb #>> '{actor,request_id}' IS NULL"); said[0] != "0" {
		t.Errorf("%s entries of reads have no request id", said[0])
	}
}

// readEntries counts the entries of reads in all logs.
func (x *matrix) readEntries() int {
	return int(number(x.ask("SELECT count(*)::text FROM ponderal.audit_entry WHERE action = 'record.read'")[0]))
}

// TestMembersReadWithoutEntries: what a clinic's own people read in their clinic writes nothing.
func TestMembersReadWithoutEntries(t *testing.T) {
	t.Parallel()
	x := newMatrix(t)
	tried := 0
	for _, m := range x.methods {
		if !recordedReads[m.name] {
			continue
		}
		for _, h := range x.holders {
			if h.network || !m.allows(h) {
				continue
			}
			tried++
			x.unchanged(m, "a read by "+h.name, func() {
				if got := x.lines[0].call(x.ctx, t, both[0], "Bearer "+h.live, m, m.in); got.code != "OK" {
					t.Errorf("%s as %s: %s %q", m.name, h.name, got.code, got.raw)
				}
			})
		}
	}
	if tried < len(recordedReads) {
		t.Errorf("only %d reads tried", tried)
	}
}
