package store

import (
	"context"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"ponderal.example/internal/fault"
	"ponderal.example/internal/pgtest"
	"ponderal.example/internal/record"
)

// TestDisclosures: entries of the one action that name the client, from a number and a moment on; the result's own entry says whose it is; a
// release is read as it stood before an entry.
func TestDisclosures(t *testing.T) {
	t.Parallel()
	ctx := context.Background()
	s := open(t, pgtest.New(t))
	fill(t, s, clinicA, "a")
	client, other := "client:"+id(103), "client:"+id(104)
	release := func(revision int) int64 {
		return add(t, s, clinicA, "release.put", Write{Docs: []DocRow{{Kind: record.KindRelease, ID: id(800), Revision: revision,
			Body: []byte(`{"mark":` + strings.Repeat("1", revision) + `}`)}}}, client)
	}
	first := release(1)
	seen := add(t, s, clinicA, record.ActionResultDisclose, Write{}, client, other)
	second := release(2)
	later := add(t, s, clinicA, record.ActionResultDisclose, Write{}, client)
	add(t, s, clinicA, record.ActionResultDisclose, Write{}, other)
	in(t, s, clinicA, func(tx *Tx) error {
		numbers := func(from int64, since time.Time, limit int) (out []int64) {
			rows, err := tx.Disclosures(ctx, id(103), from, since, limit)
			if err != nil {
				t.Error(err)
			}
			for _, r := range rows {
				out = append(out, r.Number)
			}
			return out
		}
		at := now.Add(time.Duration(later) * time.Second)
		for _, c := range []struct{ got, want []int64 }{
			{numbers(0, time.Time{}, 10), []int64{seen, later}},
			{numbers(0, time.Time{}, 1), []int64{seen}},
			{numbers(seen, time.Time{}, 10), []int64{seen, later}},
			{numbers(seen+1, time.Time{}, 10), []int64{later}},
			{numbers(0, at, 10), []int64{later}},
			{numbers(0, at.Add(time.Microsecond), 10), nil},
		} {
			if !slices.Equal(c.got, c.want) {
				t.Errorf("got %v, want %v", c.got, c.want)
			}
		}
		about, err := tx.ResultsAbout(ctx, id(103), []string{id(300), id(301)})
		if diff := cmp.Diff(map[string]string{id(300): id(200)}, about); err != nil || diff != "" {
			t.Errorf("%v %s", err, diff)
		}
		if about, err := tx.ResultsAbout(ctx, id(104), []string{id(300)}); err != nil || len(about) != 0 {
			t.Errorf("another's: %v, %v", about, err)
		}
		used := func(entry int64) ReleaseUse { return ReleaseUse{ReleaseID: id(800), Entry: entry} }
		got, err := tx.ReleasesBefore(ctx, []ReleaseUse{used(first), used(seen), used(second), used(later)})
		want := map[ReleaseUse][]byte{used(seen): []byte(`{"mark":1}`), used(second): []byte(`{"mark":1}`), used(later): []byte(`{"mark":11}`)}
		if diff := cmp.Diff(want, got); err != nil || diff != "" {
			t.Errorf("%v %s", err, diff)
		}
		return nil
	})
}

// TestEnclosed: what is enclosed is read as it was written, nothing of a result without, and it goes with the signed text when that is erased.
func TestEnclosed(t *testing.T) {
	t.Parallel()
	ctx := context.Background()
	db := pgtest.New(t)
	s := open(t, db)
	fill(t, s, clinicA, "a")
	salt := make([]byte, 32)
	salt[5] = 7
	add(t, s, clinicA, "result.sign", Write{Results: []NewResult{{ID: id(310), SessionID: id(200), SessionRevision: 1, Supersedes: id(300), JWS: "jws",
		Enclosed: []byte(`{"series":[]}`), EnclosedSalt: salt}}})
	want := func(result, text string, salted bool) {
		t.Helper()
		in(t, s, clinicA, func(tx *Tx) error {
			got, with, err := tx.Enclosed(ctx, result)
			if err != nil || string(got) != text || slices.Equal(with, salt) != salted || (with == nil) == salted {
				t.Errorf("enclosed %q under %v, %v; want %q", got, with, err, text)
			}
			return nil
		})
	}
	want(id(300), "", false)
	want(id(310), `{"series":[]}`, true)
	in(t, s, clinicA, func(tx *Tx) error {
		if _, _, err := tx.Enclosed(ctx, id(399)); !fault.Is(err, fault.NotFound) {
			t.Errorf("no such result: %v", err)
		}
		return nil
	})
	for name, sql := range map[string]string{
		"salt alone":    "UPDATE ponderal.result SET enclosed = NULL",
		"trials alone":  "UPDATE ponderal.result SET enclosed_salt = NULL WHERE enclosed IS NOT NULL",
		"a short salt":  "UPDATE ponderal.result SET enclosed_salt = '\\x00' WHERE enclosed IS NOT NULL",
		"a longer salt": "UPDATE ponderal.result SET enclosed_salt = enclosed_salt || '\\x00'::bytea WHERE enclosed IS NOT NULL",
	} {
		super := connect(t, db.SuperURL)
		if _, err := super.Exec(ctx, "ALTER TABLE ponderal.result DISABLE TRIGGER append_only"); err != nil {
			t.Fatal(err)
		}
		if _, err := super.Exec(ctx, sql); err == nil {
			t.Errorf("%s: accepted", name)
		}
	}
	super := connect(t, db.SuperURL)
	if _, err := super.Exec(ctx, "UPDATE ponderal.result SET body = '{}' WHERE id = $1", id(310)); err != nil {
		t.Fatal(err)
	}
	want(id(310), "", false)
}
