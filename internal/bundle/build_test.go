package bundle

import (
	"crypto/sha256"
	"encoding/base64"
	"fmt"
	"io"
	"math/rand/v2"
	"testing"
	"time"

	"ponderal.example/internal/canon"
	"ponderal.example/internal/mass"
	"ponderal.example/internal/merkle"
	"ponderal.example/internal/record"
	"ponderal.example/internal/seal"
)

const (
	clinicID   = "018f0000-0000-7000-8000-0000000000c1"
	otherID    = "018f0000-0000-7000-8000-0000000000c2"
	clientID   = "018f0000-0000-7000-8000-0000000000a1"
	referralID = "018f0000-0000-7000-8000-0000000000b1"
	memberID   = "018f0000-0000-7000-8000-0000000000d1"
	sessionID  = "018f0000-0000-7000-8000-0000000000e1"
	resultID   = "018f0000-0000-7000-8000-0000000000f1"
	logName    = "log.ponderal.example"
)

// maker holds the keys and the log of one test.
type maker struct {
	t         testing.TB
	ring      seal.Ring
	resultKey seal.Key
	logKey    seal.Key
}

func newMaker(t testing.TB) *maker {
	t.Helper()
	m := &maker{t: t}
	source := seeded(7)
	m.resultKey = must(seal.GenerateKey(source, seal.UseResult))(t)
	m.logKey = must(seal.GenerateKey(source, seal.UseLog))(t)
	m.ring = must(seal.NewRing(m.resultKey.Public(), m.logKey.Public()))(t)
	return m
}

// seeded is a source of bytes that is the same in every run.
func seeded(seed byte) io.Reader { return rand.NewChaCha8([32]byte{seed}) }

func must[T any](v T, err error) func(testing.TB) T {
	return func(t testing.TB) T {
		t.Helper()
		if err != nil {
			t.Fatal(err)
		}
		return v
	}
}

func at(text string) record.Time {
	parsed, err := time.Parse(time.RFC3339, text)
	if err != nil {
		return record.Time{}
	}
	return record.TimeOf(parsed)
}

func lb(t testing.TB, value string) mass.Mass { return must(mass.Parse(value, mass.Pound))(t) }

func ptr[T any](v T) *T { return &v }

// document is a small result of a scenario of our own: one series of three trials, no target job.
func (m *maker) document() record.ResultDocument {
	t := m.t
	protocol := record.Protocol{
		Name: "Floor to waist, occasional", Zones: []record.Zone{record.FloorWaist}, Pace: record.Occasional,
		StartLoad: lb(t, "15"), Steps: []record.LoadStep{{Increment: lb(t, "10")}}, Repetitions: 1, RestSeconds: 60,
		EffortStop: 16, RequiresEffortRating: true, Source: "common practice, no source",
	}
	digest, _, err := ProtocolDigest(protocol)
	if err != nil {
		t.Fatal(err)
	}
	session := record.Session{
		ID: sessionID, ClinicID: clinicID, ReferralID: referralID, EvaluatorID: memberID,
		StartedAt: at("2026-03-04T09:00:00Z"), EndedAt: at("2026-03-04T10:00:00Z"),
		Series: []record.Series{{Number: 1, Zone: record.FloorWaist, Pace: record.Occasional, ProtocolDigest: digest, Stop: record.StopVolitional}},
	}
	for i, load := range []string{"15", "25", "35"} {
		session.Series[0].Trials = append(session.Series[0].Trials, record.Trial{
			Number: i + 1, At: at(fmt.Sprintf("2026-03-04T09:%02d:00Z", 10+5*i)), Load: lb(t, load), Repetitions: 1,
			HeartRate: ptr(90 + 10*i), Effort: ptr(record.Effort(4 + 4*i)), Sustainable: ptr(true), MorePossible: ptr(i < 2),
		})
	}
	doc := record.ResultDocument{
		Format: record.ResultFormat, ID: resultID,
		Clinic:   record.ResultClinic{ID: clinicID, Name: "Invented Clinic East"},
		Client:   record.Client{ID: clientID, ClinicID: clinicID, GivenName: "Pat", FamilyName: "Example", BirthDate: "1980-03-05", Sex: record.Female},
		Person:   record.Person{AgeYears: 45, Sex: record.Female},
		Referral: record.Referral{ID: referralID, ClinicID: clinicID, ClientID: clientID, PayerID: otherID, ClaimNumber: "X-1"},
		Session:  session, SessionRevision: 1, PayerName: "Invented Mutual",
		Protocols: []record.NamedProtocol{{Digest: digest, Protocol: protocol}},
		Signature: record.Signature{MemberID: memberID, Name: "Dana Whitfield", Credential: "PT", Role: record.RoleReviewer,
			At: at("2026-03-04T12:00:00Z"), Meaning: record.MeaningReviewed},
		Cautions: []string{"These findings do not replace clinical judgement."},
	}
	return m.scored(doc)
}

// withJob adds a target job, which the engine then judges.
func (m *maker) withJob(doc record.ResultDocument, decision record.Outcome, comment string) record.ResultDocument {
	doc.Job = &record.JobProfile{ID: otherID, ClinicID: clinicID, Title: "Stock clerk",
		Tasks: []record.JobTask{{Name: "shelve boxes", Zone: record.FloorWaist, Pace: record.Occasional, Load: lb(m.t, "20")}}}
	doc.JobRevision = 1
	doc = m.scored(doc)
	doc.Decision, doc.Comment = decision, comment
	return doc
}

// scored fills in the finding.
func (m *maker) scored(doc record.ResultDocument) record.ResultDocument {
	doc.Finding = must(Rerun(doc))(m.t)
	return doc
}

// entryOf is the audit entry for a signed result, before its number and digest.
func entryOf(doc record.ResultDocument) record.Entry {
	action := record.ActionResultSign
	if doc.Supersedes != "" {
		action = record.ActionResultSupersede
	}
	return record.Entry{
		ClinicID: doc.Clinic.ID, At: doc.Signature.At, Action: action,
		Actor:    record.Actor{TokenID: otherID, MemberID: doc.Signature.MemberID, Role: doc.Signature.Role},
		Subjects: []string{"result:" + doc.ID},
		Records:  []record.Written{{Kind: record.KindResult, ID: doc.ID, Revision: 1}},
	}
}

// bundle signs a document and puts its entry at place number of a log with after more entries behind it. edit, when not nil,
// changes the entry before it is hashed.
func (m *maker) bundle(doc record.ResultDocument, number, after int64, edit func(*record.Entry)) Bundle {
	t := m.t
	t.Helper()
	b := Bundle{Format: FormatOf(doc.Format), JWS: must(seal.SignJWS(t.Context(), m.resultKey, must(Payload(doc))(t)))(t), Salt: make([]byte, saltSize)}
	if _, err := seeded(byte(number)).Read(b.Salt); err != nil {
		t.Fatal(err)
	}
	e := entryOf(doc)
	e.Number = number
	sum := sha256.Sum256(append(append([]byte{}, b.Salt...), b.JWS...))
	e.Records[0].Digest = base64.RawURLEncoding.EncodeToString(sum[:])
	if edit != nil {
		edit(&e)
	}
	b.Entry = must(canon.Marshal(e))(t)
	m.log(&b, number, after)
	return b
}

// log fills in path and checkpoint.
func (m *maker) log(b *Bundle, number, after int64) {
	t := m.t
	t.Helper()
	var edge merkle.Edge
	rows := make(map[int64][]byte)
	for i := range number + 1 + after {
		leaf := merkle.LeafHash([]byte{byte(i)})
		if i == number {
			leaf = merkle.LeafHash(b.Salt, b.Entry)
		}
		rows[i] = merkle.JoinNodes(must(edge.Append(leaf))(t))
	}
	read := merkle.NewReader(func([]int64) (map[int64][]byte, error) { return rows, nil })
	b.Path = must(merkle.InclusionProof(edge.Size(), number, read))(t)
	b.Checkpoint = must(seal.SignCheckpoint(t.Context(), m.logKey, logName+"/"+clinicID, edge.Size(), edge.Root()))(t)
}
