package store

import (
	"bytes"
	"context"
	"fmt"
	"testing"
	"time"

	"github.com/jackc/pgx/v5"

	"ponderal.example/internal/pgtest"
	"ponderal.example/internal/record"
)

// An invented network: two clinics in which every record has the same id.
const (
	clinicA = "019a0000-0000-7000-8000-00000000000a"
	clinicB = "019a0000-0000-7000-8000-00000000000b"
	payer   = "019a0000-0000-7000-8000-0000000000f0"
	digest  = "3f786850e387550fdab836ed7e6dc881de23001b3f786850e387550fdab836ed"
)

// id makes the nth id.
func id(n int) string { return fmt.Sprintf("019a0000-0000-7000-8000-%012x", n) }

var now = time.Date(2026, 3, 2, 9, 15, 0, 123456000, time.UTC)

func open(t testing.TB, db *pgtest.DB) *Store {
	t.Helper()
	s, err := Open(context.Background(), Options{URL: db.ServiceURL, MaxConns: 8})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(s.Close)
	return s
}

// connect is a connection past the store, for what only a superuser or the owner could do.
func connect(t testing.TB, url string) *pgx.Conn {
	t.Helper()
	conn, err := pgx.Connect(context.Background(), url)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _ = conn.Close(context.Background()) })
	return conn
}

func openLogs(t testing.TB, s *Store, clinics ...string) {
	t.Helper()
	for _, clinic := range clinics {
		in(t, s, clinic, func(tx *Tx) error { return tx.OpenLog(context.Background()) })
	}
}

func in(t testing.TB, s *Store, clinic string, fn func(*Tx) error) {
	t.Helper()
	if err := s.InClinic(context.Background(), clinic, fn); err != nil {
		t.Fatal(err)
	}
}

// entry is the next entry of a log; its hashes are of the right length only, which is all that the store knows of them.
func entry(number int64, action string, subjects ...string) EntryRow {
	return EntryRow{Number: number, At: now.Add(time.Duration(number) * time.Second), Action: action, Subjects: subjects,
		Content: fmt.Appendf(nil, `{"action":%q,"number":%d}`, action, number),
		Salt:    bytes.Repeat([]byte{byte(number) + 1}, 32), Nodes: bytes.Repeat([]byte{byte(number) + 2}, 32)}
}

// add appends one entry with what w holds and returns its number.
func add(t testing.TB, s *Store, clinic, action string, w Write, subjects ...string) int64 {
	t.Helper()
	var number int64
	in(t, s, clinic, func(tx *Tx) error {
		size, _, err := tx.LockHead(context.Background())
		if err != nil {
			return err
		}
		number = size
		w.Entry = entry(size, action, subjects...)
		w.Edge = bytes.Repeat([]byte{byte(size)}, 32)
		return tx.Apply(context.Background(), w)
	})
	return number
}

// docs is one new revision of a document of every kind, with the same ids in every clinic.
func docs(revision int, mark string) []DocRow {
	var out []DocRow
	resultID := id(300)
	for i, kind := range docKinds() {
		id := id(100 + i)
		if kind == record.KindProtocol {
			id = digest
		}
		body := fmt.Appendf(nil, `{"kind":%q,"mark":%q}`, kind, mark)
		if kind == record.KindCountersignature {
			if revision > 1 {
				continue
			}
			body = fmt.Appendf(nil, `{"kind":%q,"mark":%q,"result_id":%q}`, kind, mark, resultID)
		}
		switch kind {
		case record.KindIdentity:
			id, body = identityID, fmt.Appendf(nil, `{"mark":%q,"login":"dana","issuer":"https://id.example","subject":"s","certificate_sha256":%q,"member_id":%q}`,
				mark, digest, memberOfIdentity)
		case record.KindSecondFactor:
			body = fmt.Appendf(nil, `{"mark":%q,"secret":{"key_id":"k1"}}`, mark)
		case record.KindWebhook:
			body = fmt.Appendf(nil, `{"mark":%q,"payer_id":%q,"secrets":[{"sealed":{"key_id":"k1"}}]}`, mark, payer)
		case record.KindSpentProof:
			if revision > 1 {
				continue
			}
			id = identityID + "/step/1"
		}
		out = append(out, DocRow{Kind: kind, ID: id, Revision: revision, Body: body})
	}
	return out
}

// identityID is an identity of the member memberOfIdentity in each clinic.
var identityID, memberOfIdentity = id(150), id(102)

func docKinds() []string {
	return []string{record.KindClinic, record.KindPayer, record.KindMember, record.KindClient, record.KindReferral, record.KindJobProfile,
		record.KindRelease, record.KindKit, record.KindProtocol, record.KindFinding, record.KindCountersignature, record.KindLegalHold,
		record.KindIdentity, record.KindPassword, record.KindSecondFactor, record.KindSetupCode, record.KindSpentProof, record.KindSessionConflict,
		record.KindWebhook}
}
