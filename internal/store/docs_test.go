package store

import (
	"context"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"ponderal.example/internal/fault"
	"ponderal.example/internal/pgtest"
	"ponderal.example/internal/record"
)

func TestDocuments(t *testing.T) {
	t.Parallel()
	ctx := context.Background()
	s := open(t, pgtest.New(t))
	openLogs(t, s, clinicA)
	first := add(t, s, clinicA, "test", Write{Docs: docs(1, "one")})
	second := add(t, s, clinicA, "test", Write{Docs: docs(2, "two")})
	for _, d := range docs(2, "two") {
		in(t, s, clinicA, func(tx *Tx) error {
			got, err := tx.Newest(ctx, d.Kind, d.ID)
			want := Row{ID: d.ID, Revision: 2, Entry: second, At: now.Add(time.Second), Body: d.Body}
			if diff := cmp.Diff(want, got); diff != "" || err != nil {
				t.Errorf("newest %s: %v %s", d.Kind, err, diff)
			}
			old, err := tx.At(ctx, d.Kind, d.ID, 1)
			if err != nil || old.Entry != first || old.Revision != 1 {
				t.Errorf("%s at 1: %+v, %v", d.Kind, old, err)
			}
			if _, err := tx.At(ctx, d.Kind, d.ID, 3); !fault.Is(err, fault.NotFound) {
				t.Errorf("%s at 3: %v, want NotFound", d.Kind, err)
			}
			list, err := tx.ListNewest(ctx, d.Kind, "", 10)
			if diff := cmp.Diff([]Row{want}, list); diff != "" || err != nil {
				t.Errorf("list %s: %v %s", d.Kind, err, diff)
			}
			if after, err := tx.ListNewest(ctx, d.Kind, d.ID, 10); len(after) != 0 || err != nil {
				t.Errorf("list %s after the last: %v, %v", d.Kind, after, err)
			}
			return nil
		})
	}
	in(t, s, clinicA, func(tx *Tx) error {
		got, err := tx.ListByEntry(ctx, record.KindFinding, first, 10)
		if err != nil || len(got) != 1 || got[0].Entry != second {
			t.Errorf("findings after the first entry: %v, %v", got, err)
		}
		return nil
	})
}
