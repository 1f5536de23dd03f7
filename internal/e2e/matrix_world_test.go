package e2e

import (
	"fmt"
	"google.golang.org/protobuf/proto"
	"strings"
	"testing"
	"time"

	"ponderal.example/internal/authn"
	"ponderal.example/internal/casework"
	"ponderal.example/internal/demo/caller"
	"ponderal.example/internal/record"

	pb "ponderal.example/api/ponderal/v1"
)

// place are the ids of a clinic's records. Those of two places have nothing in common.
type place struct {
	clinic string
	ids    map[string]string // by what they name
}

// placeIDs are what a place has one or more of, with the group of their ids.
var placeIDs = map[string]string{
	"client": "a1", "job": "b1", "referral": "e1", "release": "4e", "kit": "f1", "member": "d1", "result": "9a", "withheld": "9b",
	"signed": "5a", "unsigned": "5b", "corrected": "5c", "changed": "5d", "rescored": "5e",
	"colleague": "d2", "login": "1c", "signable": "56", "signable too": "57", "contested": "58", "conflict": "59",
}

// placeOf makes the ids of the nth place; nothing of them is stored.
func placeOf(n int) *place {
	p := &place{clinic: id("c1", n), ids: map[string]string{"digest": fmt.Sprintf("%064x", n), "token": id("70", n), "entry": fmt.Sprint(1_000_000 + n)}}
	for name, group := range placeIDs {
		p.ids[name] = id(group, n)
	}
	return p
}

// furnish stores a clinic with records of every kind under the ids of the place. The payer gets the result, and has a second one in the clinic
// that is withdrawn from it.
func (w *world) furnish(p *place, mark, payer string) {
	t, ids := w.t, p.ids
	t.Helper()
	admin := w.admin(p.clinic)
	admin.MemberID = ids["member"]
	must(w.cases.PutClinic(w.ctx, w.network(""), record.Clinic{ID: p.clinic, Name: "Clinic " + mark, DisplayUnit: "lb"}, 0))(t)
	must(w.cases.PutMember(w.ctx, w.network(p.clinic), record.Member{ID: ids["member"], Name: "Dana " + mark, Credential: "PT", Roles: personRoles}, 0))(t)
	must(w.cases.PutMember(w.ctx, w.network(p.clinic), record.Member{ID: ids["colleague"], Name: "Cole " + mark, Roles: personRoles}, 0))(t)
	must(w.cases.PutIdentity(w.ctx, w.network(p.clinic), record.Identity{ID: ids["login"], MemberID: ids["colleague"], Login: "cole.m"}, 0))(t)
	must(w.cases.PutClient(w.ctx, admin, record.Client{ID: ids["client"], GivenName: "Pat", FamilyName: mark, BirthDate: "1980-03-05", Sex: record.Female}, 0))(t)
	must(w.cases.PutJobProfile(w.ctx, admin, record.JobProfile{ID: ids["job"], Title: mark, Tasks: []record.JobTask{
		{Name: mark, Zone: record.FloorWaist, Pace: record.Occasional, Load: lb(t, 36)}}}, 0))(t)
	must(w.cases.PutReferral(w.ctx, admin, record.Referral{ID: ids["referral"], ClientID: ids["client"], PayerID: payer, ClaimNumber: mark, JobProfileID: ids["job"]}, 0))(t)
	must(w.cases.PutRelease(w.ctx, admin, record.Release{ID: ids["release"], ReferralID: ids["referral"], PayerID: payer, Purpose: mark,
		ExpiresAt: record.TimeOf(day.Add(240 * time.Hour))}, 0))(t)
	must(w.cases.PutKit(w.ctx, admin, record.Kit{ID: ids["kit"], Name: mark, Tote: record.Piece{Code: "T", Mass: lb(t, 5), VerifiedOn: "2026-01-05"},
		Inserts: []record.Piece{{Code: "A", Mass: lb(t, 10), VerifiedOn: "2026-01-05"}}}, 0))(t)
	ids["digest"] = must(w.cases.PublishProtocol(w.ctx, admin, record.Protocol{Name: mark, Zones: []record.Zone{record.FloorWaist},
		Pace: record.Occasional, StartLoad: lb(t, 15), Steps: []record.LoadStep{{Increment: lb(t, 10)}}, Repetitions: 1, RestSeconds: 60,
		EffortStop: 16, RequiresHeartRate: true, RequiresEffortRating: true, Source: "common practice, no source"}))(t).Value.Digest
	var token string
	ids["token"], token = w.newToken(p.clinic, ids["member"], record.RoleEvaluator)
	call := w.service.As(token, caller.GRPC)
	for _, name := range []string{"signed", "unsigned", "corrected", "changed", "rescored", "signable", "signable too", "contested"} {
		must(w.push(call, sessionAt(t, p, name)))(t)
	}
	other := sessionAt(t, p, "contested")
	other.Screening.RestingHeartRateBpm = proto.Uint32(77)
	kept := must(caller.Do[pb.PushSessionsResponse](w.ctx, call, "SyncService/PushSessions", &pb.PushSessionsRequest{Sessions: []*pb.Session{other}}))(t)
	ids["conflict"] = kept.GetSessions()[0].GetConflictId()
	reviewer := authn.Principal{TokenID: id("aa", 3), MemberID: ids["colleague"], ClinicID: p.clinic, Roles: personRoles, Role: record.RoleReviewer}
	must(w.cases.SignResult(w.ctx, reviewer, casework.Signing{Proof: casework.SignerProof{Password: "right"}, SessionID: ids["signed"], ResultID: ids["result"], SessionRevision: 1,
		Meaning: record.MeaningReviewed, Decision: record.CannotBeDetermined, Comment: mark}))(t)
	w.withhold(p, admin, reviewer, mark, payer)
	ids["entry"] = w.ask("SELECT (size - 1)::text FROM ponderal.audit_head WHERE clinic_id = $1", p.clinic)[0]
}

// withhold signs a second result for the payer whose release ends before anybody calls.
func (w *world) withhold(p *place, admin, reviewer authn.Principal, mark, payer string) {
	w.t.Helper()
	referral, s := id("e2", 1), sessionAt(w.t, p, "signed")
	s.Id, s.ReferralId = id("5f", 1), referral
	must(w.cases.PutReferral(w.ctx, admin, record.Referral{ID: referral, ClientID: p.ids["client"], PayerID: payer, ClaimNumber: mark + "2"}, 0))(w.t)
	must(w.cases.PutRelease(w.ctx, admin, record.Release{ID: id("4f", 1), ReferralID: referral, PayerID: payer, Purpose: mark,
		ExpiresAt: record.TimeOf(day.Add(time.Hour))}, 0))(w.t)
	must(w.push(w.service.As(w.token(p.clinic, "", record.RoleStation), caller.GRPC), s))(w.t)
	must(w.cases.SignResult(w.ctx, reviewer, casework.Signing{Proof: casework.SignerProof{Password: "right"}, SessionID: s.Id, ResultID: p.ids["withheld"], SessionRevision: 1,
		Meaning: record.MeaningReviewed}))(w.t)
}

var personRoles = []record.Role{record.RoleEvaluator, record.RoleReviewer, record.RoleClinicAdmin}

// sessionAt is the session of a place that has that name.
func sessionAt(t testing.TB, p *place, name string) *pb.Session {
	t.Helper()
	s := session(t, p.ids["digest"], 1)
	s.Id, s.ReferralId, s.EvaluatorId = p.ids[name], p.ids["referral"], p.ids["member"]
	return s
}

// holder is somebody with a token, and with further ones of the same kind that do not work any more.
type holder struct {
	name                   string
	roles                  []record.Role
	network                bool
	live, expired, revoked string
	// fresh makes another token like the live one, for the methods that end the one presented.
	fresh func() string
	// left is a token of a member who has left the clinic; empty for others than the holder of several roles.
	left string
}

// holders are one for every role of the contract, and who has several. Their clinic is that of the place, and their payer the one that it serves.
func (w *world) holders(p *place, payer string) []*holder {
	w.t.Helper()
	var all []*holder
	add := func(name string, of casework.NewToken, roles ...record.Role) {
		h := &holder{name: name, roles: roles, network: of.ClinicID == "" && of.PayerID == ""}
		of.Roles, of.Label = roles, name
		h.live, _ = w.mint(of, 48*time.Hour)
		h.fresh = func() string {
			secret, _ := w.mint(of, 48*time.Hour)
			return secret
		}
		h.expired, _ = w.mint(of, time.Hour)
		var tokenID string
		h.revoked, tokenID = w.mint(of, 48*time.Hour)
		revoker := w.network(of.ClinicID)
		must(w.cases.RevokeToken(w.ctx, revoker, tokenID, "lost"))(w.t)
		all = append(all, h)
	}
	for _, role := range personRoles {
		add(string(role), casework.NewToken{ClinicID: p.clinic, MemberID: p.ids["member"]}, role)
	}
	add("several roles", casework.NewToken{ClinicID: p.clinic, MemberID: p.ids["member"]}, personRoles...)
	all[len(all)-1].left = w.leaver(p.clinic)
	add(string(record.RoleStation), casework.NewToken{ClinicID: p.clinic}, record.RoleStation)
	add(string(record.RolePayer), casework.NewToken{PayerID: payer}, record.RolePayer)
	add(string(record.RoleNetworkAuditor), casework.NewToken{}, record.RoleNetworkAuditor)
	add(string(record.RoleNetworkAdmin), casework.NewToken{}, record.RoleNetworkAdmin)
	add("both network roles", casework.NewToken{}, record.RoleNetworkAuditor, record.RoleNetworkAdmin)
	return all
}

// leaver is a live token of a member with every role, who has left since.
func (w *world) leaver(clinic string) string {
	w.t.Helper()
	m := record.Member{ID: id("1e", 77), Name: "Lee Gone", Roles: personRoles}
	stored := must(w.cases.PutMember(w.ctx, w.network(clinic), m, 0))(w.t)
	token, _ := w.mint(casework.NewToken{ClinicID: clinic, MemberID: m.ID, Roles: personRoles, Label: "leaver"}, 48*time.Hour)
	m.Left = true
	must(w.cases.PutMember(w.ctx, w.network(clinic), m, stored.Revision.Number))(w.t)
	return token
}

func (w *world) mint(of casework.NewToken, life time.Duration) (secret, tokenID string) {
	w.t.Helper()
	of.ExpiresAt = record.TimeOf(day.Add(life))
	made, secret, err := w.cases.BootstrapToken(w.ctx, of)
	if err != nil {
		w.t.Fatal(err)
	}
	return secret, made.Value.Token.ID
}

// wrongSecret is a token's id with another secret.
func wrongSecret(token string) string {
	const last = 43
	return token[:len(token)-last] + strings.Repeat("A", last)
}

// digests is one statement that digests every table, found in the catalog: the rows of a clinic, or all where it is empty.
func (w *world) digests(clinic string) string {
	w.t.Helper()
	var parts []string
	for _, row := range w.ask("SELECT t.table_name || ' ' || (SELECT count(*) FROM information_schema.columns c WHERE c.table_schema = 'ponderal' AND " +
		"c.table_name = t.table_name AND c.column_name = 'clinic_id') FROM information_schema.tables t WHERE t.table_schema = 'ponderal' " +
		// Every call is counted, refused ones too; counts are no records.
		"AND t.table_name NOT IN ('allowance', 'sign_in_attempt') ORDER BY 1") {
		table, has, _ := strings.Cut(row, " ")
		where := ""
		switch {
		case clinic == "":
		case has == "0":
			continue
		default:
			where = " WHERE t.clinic_id = '" + clinic + "'"
		}
		parts = append(parts, fmt.Sprintf("SELECT '%[1]s ' || count(*) || ' ' || coalesce(md5(string_agg(t::text, '|' ORDER BY t::text)), '') FROM ponderal.%[1]s t%[2]s",
			table, where))
	}
	return strings.Join(parts, " UNION ALL ")
}
