package store

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"maps"
	"reflect"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/jackc/pgx/v5"

	"ponderal.example/internal/fault"
	"ponderal.example/internal/pgtest"
	"ponderal.example/internal/record"
)

// use runs one method of a transaction of clinic A and says how many of clinic A's records it found or wrote.
type use func(ctx context.Context, tx *Tx, next int64) (int, error)

// unbound says why a method's answer does not depend on whose rows may be seen.
type unbound string

// one counts a record that a method returns by itself.
func one[T any](_ T, err error) (int, error) { return 1, err }

func many[T any](rows []T, err error) (int, error) { return len(rows), err }

// scanned counts the rows of clinic A that a scan gives.
func scanned[T any](scan func(context.Context, func(T) error) error, clinic func(T) string) use {
	return func(ctx context.Context, _ *Tx, _ int64) (n int, err error) {
		err = scan(ctx, func(row T) error {
			if clinic(row) == clinicA {
				n++
			}
			return nil
		})
		return n, err
	}
}

// writings are writes of one kind of row each, under ids that nothing has yet, so that every table must refuse by itself.
func writings(next int64) map[string]Write {
	all := map[string]Write{
		"session": {Sessions: []SessionRow{{ID: id(600), ReferralID: id(104), Revision: 1, Body: []byte(`{}`)}}},
		"trial":   {Trials: []NewTrial{{SessionID: id(200), Series: 1, Number: 9, Revision: 1, Body: []byte(`{}`)}}},
		"result":  {Results: []NewResult{{ID: id(700), SessionID: id(200), SessionRevision: 1, Supersedes: id(300), JWS: "jws", Path: make([]byte, 32)}}},
		"feed":    {Feed: []FeedRow{{PayerID: id(404), Number: 1, ClinicID: clinicA, ResultID: id(300), Body: []byte(`{}`)}}},
		"note":    {Note: "note"},
	}
	for i, d := range append(docs(1, "new"), DocRow{Kind: record.KindToken}, DocRow{Kind: record.KindTokenRevocation}) {
		all[d.Kind] = Write{Docs: []DocRow{{Kind: d.Kind, ID: id(500 + i), Revision: 1, Body: []byte(`{}`)}}}
	}
	for name, w := range all {
		w.Entry, w.Edge = entry(next, "x"), make([]byte, 32)
		all[name] = w
	}
	return all
}

// pushed counts the records that a push found.
func pushed(p PushContext, err error) (int, error) {
	n := len(p.Trials) + len(p.Protocols) + len(p.Kits)
	for _, row := range []*Row{p.First, p.Session, p.Referral, p.Client, p.Job, p.Evaluator, p.Override} {
		if row != nil {
			n++
		}
	}
	return n, err
}

var pushKeys = PushKeys{SessionID: id(200), ReferralID: id(104), EvaluatorID: id(102), Digests: []string{digest}, KitIDs: []string{id(107)}}

// readUses are the reading methods by name.
func readUses() map[string]use {
	return map[string]use{
		"At": func(ctx context.Context, tx *Tx, _ int64) (int, error) {
			return one(tx.At(ctx, record.KindClient, id(103), 1))
		},
		"Disclosures": func(ctx context.Context, tx *Tx, _ int64) (int, error) {
			return many(tx.Disclosures(ctx, id(103), 0, time.Time{}, 10))
		},
		"ResultsAbout": func(ctx context.Context, tx *Tx, _ int64) (int, error) {
			found, err := tx.ResultsAbout(ctx, id(103), []string{id(300)})
			return len(found), err
		},
		"ReleasesBefore": func(ctx context.Context, tx *Tx, next int64) (int, error) {
			found, err := tx.ReleasesBefore(ctx, []ReleaseUse{{ReleaseID: id(800), Entry: next}})
			return len(found), err
		},
		"Changes": func(ctx context.Context, tx *Tx, _ int64) (int, error) {
			found, err := tx.Changes(ctx, -1, 10, ChangeKinds())
			return len(found.Entries) + len(found.Rows), err
		},
		"Enclosed": func(ctx context.Context, tx *Tx, _ int64) (int, error) {
			_, _, err := tx.Enclosed(ctx, id(300))
			return one(0, err)
		},
		"Newest": func(ctx context.Context, tx *Tx, _ int64) (int, error) {
			return one(tx.Newest(ctx, record.KindClient, id(103)))
		},
		"ListNewest": func(ctx context.Context, tx *Tx, _ int64) (int, error) {
			return many(tx.ListNewest(ctx, record.KindClient, "", 10))
		},
		"ListByEntry": func(ctx context.Context, tx *Tx, _ int64) (int, error) {
			return many(tx.ListByEntry(ctx, record.KindSession, -1, 10))
		},
		"IdentitiesByLogin": func(ctx context.Context, tx *Tx, _ int64) (int, error) {
			return many(tx.IdentitiesByLogin(ctx, "dana"))
		},
		"IdentitiesBySubject": func(ctx context.Context, tx *Tx, _ int64) (int, error) {
			return many(tx.IdentitiesBySubject(ctx, "https://id.example", "s"))
		},
		"IdentitiesByCertificate": func(ctx context.Context, tx *Tx, _ int64) (int, error) {
			return many(tx.IdentitiesByCertificate(ctx, digest))
		},
		"IdentitiesOfMember": func(ctx context.Context, tx *Tx, _ int64) (int, error) {
			return many(tx.IdentitiesOfMember(ctx, memberOfIdentity))
		},
		"TokensOfIdentity": func(ctx context.Context, tx *Tx, _ int64) (int, error) {
			return many(tx.TokensOfIdentity(ctx, identityID, now))
		},
		"Spent": func(ctx context.Context, tx *Tx, _ int64) (int, error) {
			return many(tx.Spent(ctx, []string{identityID + "/step/1"}))
		},
		"KeysOfWebhooks":  func(ctx context.Context, tx *Tx, _ int64) (int, error) { return many(tx.KeysOfWebhooks(ctx)) },
		"WebhooksOfPayer": func(ctx context.Context, tx *Tx, _ int64) (int, error) { return many(tx.WebhooksOfPayer(ctx, payer)) },
		"KeysOfSecrets":   func(ctx context.Context, tx *Tx, _ int64) (int, error) { return many(tx.KeysOfSecrets(ctx)) },
		"Trials":          func(ctx context.Context, tx *Tx, _ int64) (int, error) { return many(tx.Trials(ctx, id(200), 1)) },
		"Releases":        func(ctx context.Context, tx *Tx, _ int64) (int, error) { return many(tx.Releases(ctx, id(104))) },
		"Countersignatures": func(ctx context.Context, tx *Tx, _ int64) (int, error) {
			return many(tx.Countersignatures(ctx, id(300)))
		},
		"Result": func(ctx context.Context, tx *Tx, _ int64) (int, error) { return one(tx.Result(ctx, id(300))) },
		"Shown":  func(ctx context.Context, tx *Tx, _ int64) (int, error) { return many(tx.Shown(ctx, []string{id(300)})) },
		"ResultsOfSession": func(ctx context.Context, tx *Tx, _ int64) (int, error) {
			return many(tx.ResultsOfSession(ctx, id(200)))
		},
		"ResultsOfReferral": func(ctx context.Context, tx *Tx, _ int64) (int, error) {
			return many(tx.ResultsOfReferral(ctx, id(104)))
		},
		"ListResults": func(ctx context.Context, tx *Tx, _ int64) (int, error) { return many(tx.ListResults(ctx, -1, 10)) },
		"InFeed": func(ctx context.Context, tx *Tx, _ int64) (int, error) {
			got, err := tx.InFeed(ctx, payer, []string{id(300)})
			return len(got), err
		},
		"Entries":  func(ctx context.Context, tx *Tx, _ int64) (int, error) { return many(tx.Entries(ctx, -1, "", "", 10)) },
		"Erasures": func(ctx context.Context, tx *Tx, _ int64) (int, error) { return many(tx.Erasures(ctx)) },
		"FilteredEntries": func(ctx context.Context, tx *Tx, _ int64) (int, error) {
			return many(tx.FilteredEntries(ctx, EntryFilter{After: -1, Upto: 1 << 40}, 10))
		},
		"LateCorrections": func(ctx context.Context, tx *Tx, _ int64) (int, error) {
			return many(tx.LateCorrections(ctx, time.Time{}, time.Time{}, LateKey{Number: -1}, now.Add(time.Hour), 10))
		},
		"LateRates": func(ctx context.Context, tx *Tx, _ int64) (int, error) {
			return many(tx.LateRates(ctx, time.Time{}, time.Time{}))
		},
		"NumbersBetween": func(ctx context.Context, tx *Tx, _ int64) (int, error) {
			first, last, err := tx.NumbersBetween(ctx, time.Time{}, time.Time{})
			return int(last - first + 1), err
		},
		"Entry": func(ctx context.Context, tx *Tx, _ int64) (int, error) { return one(tx.Entry(ctx, 0)) },
		"EntriesOfSession": func(ctx context.Context, tx *Tx, _ int64) (int, error) {
			return many(tx.EntriesOfSession(ctx, id(200)))
		},
		"Nodes": func(ctx context.Context, tx *Tx, _ int64) (int, error) {
			got, err := tx.Nodes(ctx, []int64{0})
			return len(got), err
		},
		"NodesAt": func(ctx context.Context, tx *Tx, _ int64) (int, error) {
			got, err := tx.NodesAt(ctx, []int64{0}, 0)
			return len(got), err
		},
		"Head": func(ctx context.Context, tx *Tx, _ int64) (int, error) {
			_, edge, err := tx.Head(ctx)
			return headOfA(edge), err
		},
		"LockHeadAndReleases": func(ctx context.Context, tx *Tx, _ int64) (int, error) {
			_, edge, releases, err := tx.LockHeadAndReleases(ctx, []string{id(104)})
			return headOfA(edge) + len(releases[id(104)]), err
		},
		"LockHead": func(ctx context.Context, tx *Tx, _ int64) (int, error) {
			_, edge, err := tx.LockHead(ctx)
			return headOfA(edge), err
		},
		"Checkpoint": func(ctx context.Context, tx *Tx, _ int64) (int, error) {
			_, _, err := tx.Checkpoint(ctx, 0)
			return 1, err
		},
		"Cosignatures": func(ctx context.Context, tx *Tx, _ int64) (int, error) { return many(tx.Cosignatures(ctx, 1, 10)) },
		"ListCosignatures": func(ctx context.Context, tx *Tx, _ int64) (int, error) {
			return many(tx.ListCosignatures(ctx, 0, "", 10))
		},
		"NewestCosigned": func(ctx context.Context, tx *Tx, _ int64) (int, error) {
			size, err := tx.NewestCosigned(ctx, witnessKey)
			return int(size), err
		},
		"PushContext": func(ctx context.Context, tx *Tx, _ int64) (int, error) { return pushed(tx.PushContext(ctx, pushKeys)) },
		"PushContextAt": func(ctx context.Context, tx *Tx, _ int64) (int, error) {
			return pushed(tx.PushContextAt(ctx, pushKeys, 1<<40))
		},
		"PushContexts": func(ctx context.Context, tx *Tx, _ int64) (int, error) {
			got, err := tx.PushContexts(ctx, []PushKeys{pushKeys})
			if len(got) == 0 {
				return 0, err
			}
			return pushed(got[0], err)
		},
	}
}

// edgeOfB is the edge of the other clinic's log, by which heads are told apart.
var edgeOfB = bytes.Repeat([]byte{0xbb}, 32)

func headOfA(edge []byte) int {
	if bytes.Equal(edge, edgeOfB) {
		return 0
	}
	return 1
}

// scanUses are the methods that read whole tables of the bound clinic.
func scanUses() map[string]use {
	return map[string]use{
		"ScanCheckpoints": func(ctx context.Context, tx *Tx, n int64) (int, error) {
			return scanned(tx.ScanCheckpoints, func(c CheckpointScan) string { return c.ClinicID })(ctx, tx, n)
		},
		"ScanCosignatures": func(ctx context.Context, tx *Tx, n int64) (int, error) {
			return scanned(tx.ScanCosignatures, func(c CosignatureRow) string { return c.ClinicID })(ctx, tx, n)
		},
		"ScanDocs": func(ctx context.Context, tx *Tx, n int64) (int, error) {
			scan := func(ctx context.Context, fn func(DocScan) error) error {
				return tx.ScanDocs(ctx, record.KindClient, fn)
			}
			return scanned(scan, func(d DocScan) string { return d.ClinicID })(ctx, tx, n)
		},
		"ScanEntries": func(ctx context.Context, tx *Tx, n int64) (int, error) {
			return scanned(tx.ScanEntries, func(e EntryScan) string { return e.ClinicID })(ctx, tx, n)
		},
		"ScanFeed": func(ctx context.Context, tx *Tx, n int64) (int, error) {
			return scanned(tx.ScanFeed, func(f FeedRow) string { return f.ClinicID })(ctx, tx, n)
		},
		"ScanFindings": func(ctx context.Context, tx *Tx, n int64) (int, error) {
			return scanned(tx.ScanFindings, func(d DocScan) string { return d.ClinicID })(ctx, tx, n)
		},
		"ScanResults": func(ctx context.Context, tx *Tx, n int64) (int, error) {
			return scanned(tx.ScanResults, func(r ResultScan) string { return r.ClinicID })(ctx, tx, n)
		},
		"ScanSessions": func(ctx context.Context, tx *Tx, n int64) (int, error) {
			return scanned(tx.ScanSessions, func(s SessionScan) string { return s.ClinicID })(ctx, tx, n)
		},
		"ScanTrials": func(ctx context.Context, tx *Tx, n int64) (int, error) {
			return scanned(tx.ScanTrials, func(r TrialScan) string { return r.ClinicID })(ctx, tx, n)
		},
	}
}

// writeUses are the writing methods, Apply and ApplyAndCommit once for every kind of row.
func writeUses() map[string]use {
	uses := map[string]use{
		"SaveCheckpoint": func(ctx context.Context, tx *Tx, next int64) (int, error) {
			return 1, tx.SaveCheckpoint(ctx, next, "note")
		},
		"SaveCosignature": func(ctx context.Context, tx *Tx, _ int64) (int, error) {
			return 1, tx.SaveCosignature(ctx, 1, witnessKey+"2", "line")
		},
	}
	for part := range writings(0) {
		uses["Apply "+part] = func(ctx context.Context, tx *Tx, next int64) (int, error) {
			return 1, tx.Apply(ctx, writings(next)[part])
		}
		uses["ApplyAndCommit "+part] = func(ctx context.Context, tx *Tx, next int64) (int, error) {
			return 1, tx.ApplyAndCommit(ctx, writings(next)[part])
		}
	}
	return uses
}

// unboundUses are the methods to which it makes no difference whose rows may be seen.
var unboundUses = map[string]unbound{
	"ClinicID":       "asks no database",
	"Writable":       "asks no database",
	"OpenLog":        "opens the log of the clinic of the setting, which is there already",
	"FeedHeads":      "a payer's counter spans clinics, and every bound transaction may see it",
	"NextFeedNumber": "a payer's counter spans clinics, and every bound transaction may move it by one",
}

// exported are the names of a type's exported methods.
func exported[T any]() []string {
	var names []string
	for i := range reflect.TypeFor[T]().NumMethod() {
		names = append(names, reflect.TypeFor[T]().Method(i).Name)
	}
	return names
}

// TestEveryMethodIsTriedUnderAnotherSetting: a new method of Tx is not let by without a word on what it sees.
func TestEveryMethodIsTriedUnderAnotherSetting(t *testing.T) {
	t.Parallel()
	known := map[string]bool{}
	for _, table := range []map[string]use{readUses(), scanUses(), writeUses()} {
		for name := range table {
			method, _, _ := strings.Cut(name, " ")
			known[method] = true
		}
	}
	for name := range unboundUses {
		known[name] = true
	}
	for _, name := range exported[*Tx]() {
		if !known[name] {
			t.Errorf("Tx.%s is not tried under another clinic's setting: add it to readUses, scanUses or writeUses", name)
		}
		delete(known, name)
	}
	for name := range known {
		t.Errorf("Tx has no method %s", name)
	}
}

// settings are what a transaction of clinic A may be bound to.
var settings = map[string]string{"its own": clinicA, "another clinic's": clinicB, "no": ""}

// causeOf is the private cause of a fault.
func causeOf(err error) string {
	var f *fault.Error
	if !errors.As(err, &f) || errors.Unwrap(f) == nil {
		return ""
	}
	return errors.Unwrap(f).Error()
}

// errUndo ends a transaction without a trace.
var errUndo = errors.New("undo")

// tried runs one use in a transaction of clinic A that is bound to a clinic of one's choice, and undoes it.
func tried(ctx context.Context, s *Store, setting string, next int64, u use) (found int, failure error) {
	_ = s.InClinic(ctx, clinicA, func(tx *Tx) error {
		b := tx.batch()
		b.Queue(bindClinic, setting)
		if failure = tx.send(ctx, b, "bind"); failure != nil {
			return failure
		}
		found, failure = u(ctx, tx, next)
		return errUndo
	})
	return found, failure
}

// twoLogs fills clinic A, and gives clinic B a log of the same length and nothing else, so that nothing is refused only because of a number.
func twoLogs(t *testing.T, s *Store, super *pgx.Conn) {
	t.Helper()
	fill(t, s, clinicA, "a")
	doc := DocRow{Kind: record.KindRelease, ID: id(800), Revision: 1, Body: []byte(`{"referral_id":"` + id(104) + `"}`)}
	add(t, s, clinicA, "release.put", Write{Docs: []DocRow{doc}})
	token := DocRow{Kind: record.KindToken, ID: id(450), Revision: 1, Body: []byte(`{"identity_id":"` + identityID + `","expires_at":"2100-01-01T00:00:00Z"}`)}
	add(t, s, clinicA, "token.create", Write{Docs: []DocRow{token}})
	add(t, s, clinicA, record.ActionClientErase, Write{})
	add(t, s, clinicA, record.ActionResultDisclose, Write{}, "client:"+id(103))
	correctLate(t, s, clinicA)
	openLogs(t, s, clinicB)
	for i := range headSize(t, super, clinicA) {
		in(t, s, clinicB, func(tx *Tx) error {
			return tx.Apply(context.Background(), Write{Entry: entry(i, "x"), Edge: edgeOfB})
		})
	}
}

func headSize(t *testing.T, super *pgx.Conn, clinic string) (size int64) {
	t.Helper()
	if err := super.QueryRow(context.Background(), "SELECT size FROM ponderal.audit_head WHERE clinic_id = $1", clinic).Scan(&size); err != nil {
		t.Fatal(err)
	}
	return size
}

// prints are digests of all tables.
func prints(t *testing.T, super *pgx.Conn) string {
	t.Helper()
	var parts []string
	for _, table := range tables(t, super) {
		var one string
		sql := fmt.Sprintf("SELECT coalesce(md5(string_agg(r::text, '|' ORDER BY r::text)), '') FROM ponderal.%s r", table)
		if err := super.QueryRow(context.Background(), sql).Scan(&one); err != nil {
			t.Fatal(err)
		}
		parts = append(parts, table+" "+one)
	}
	return strings.Join(parts, "\n")
}

// TestQueriesUnderAnotherClinicsSetting: the statements of a transaction name clinic A. Bound to A they find and write; bound to another clinic, or to
// none, the database shows them nothing and takes nothing.
func TestQueriesUnderAnotherClinicsSetting(t *testing.T) {
	t.Parallel()
	ctx := context.Background()
	db := pgtest.New(t)
	s, super := open(t, db), connect(t, db.SuperURL)
	twoLogs(t, s, super)
	reading, writes := readUses(), writeUses()
	maps.Copy(reading, scanUses())
	all := maps.Clone(reading)
	maps.Copy(all, writes)
	names := slices.Sorted(maps.Keys(all))
	for _, bound := range []string{"another clinic's", "no", "its own"} {
		before := prints(t, super)
		for _, name := range names {
			found, err := tried(ctx, s, settings[bound], headSize(t, super, clinicA), all[name])
			switch _, writes := writes[name]; {
			case bound == "its own":
				if err != nil || found == 0 {
					t.Errorf("%s under its own setting: %d, %v: what this test calls does nothing", name, found, err)
				}
			case writes:
				// The policy, and not a key that has nothing to refer to.
				if sqlState := causeOf(err); err == nil || bound == "another clinic's" && !strings.Contains(sqlState, "42501") {
					t.Errorf("%s under %s setting: %v (%s), want it refused by a policy", name, bound, err, sqlState)
				}
			case err != nil && !fault.Is(err, fault.NotFound):
				t.Errorf("%s under %s setting: %v", name, bound, err)
			case err == nil && found != 0:
				t.Errorf("%s under %s setting found %d", name, bound, found)
			}
		}
		if after := prints(t, super); after != before && bound != "its own" {
			t.Errorf("under %s setting something changed:\n%s\nbefore\n%s", bound, after, before)
		}
	}
}

// TestUnboundMethods: what is not bound to a clinic's rows still asks for some binding, and stays where the setting is.
func TestUnboundMethods(t *testing.T) {
	t.Parallel()
	ctx := context.Background()
	db := pgtest.New(t)
	s, super := open(t, db), connect(t, db.SuperURL)
	twoLogs(t, s, super)
	uses := map[string]use{
		"OpenLog": func(ctx context.Context, tx *Tx, _ int64) (int, error) { return 1, tx.OpenLog(ctx) },
		"FeedHeads": func(ctx context.Context, tx *Tx, _ int64) (int, error) {
			heads, err := tx.FeedHeads(ctx)
			return len(heads), err
		},
		"NextFeedNumber": func(ctx context.Context, tx *Tx, _ int64) (int, error) { return one(tx.NextFeedNumber(ctx, payer)) },
	}
	before := prints(t, super)
	for name, u := range uses {
		if found, err := tried(ctx, s, "", 0, u); err == nil && found > 0 {
			t.Errorf("%s does its work for nobody", name)
		}
		for _, clinic := range []string{clinicA, clinicB} {
			if found, err := tried(ctx, s, clinic, 0, u); err != nil || found == 0 {
				t.Errorf("%s bound to %s: %d, %v", name, clinic, found, err)
			}
		}
	}
	if after := prints(t, super); after != before {
		t.Errorf("something changed:\n%s\nbefore\n%s", after, before)
	}
}
