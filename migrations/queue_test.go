package migrations_test

import (
	"context"
	"slices"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"
	"github.com/jackc/pgx/v5/pgxpool"
	"github.com/riverqueue/river/riverdriver/riverpgxv5"
	"github.com/riverqueue/river/rivermigrate"

	"ponderal.example/internal/pgtest"
)

// TestQueueIsThatOfTheLibrary: what our file makes of the queue's tables is what the library's own migrations make, but for rights, comments, the list of its
// migrations and two indexes of ours.
func TestQueueIsThatOfTheLibrary(t *testing.T) {
	t.Parallel()
	ctx := context.Background()
	db := pgtest.New(t)
	exec(t, db.OwnerURL, "CREATE SCHEMA theirs_queue")
	config, err := pgxpool.ParseConfig(db.OwnerURL)
	if err != nil {
		t.Fatal(err)
	}
	pool, err := pgxpool.NewWithConfig(ctx, config)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(pool.Close)
	migrator, err := rivermigrate.New(riverpgxv5.New(pool), &rivermigrate.Config{Schema: "theirs_queue"})
	if err != nil {
		t.Fatal(err)
	}
	done, err := migrator.Migrate(ctx, rivermigrate.DirectionUp, nil)
	if err != nil {
		t.Fatal(err)
	}
	if len(done.Versions) != 8 {
		t.Errorf("the library has %d migrations, ours are made after 8: a further file of ours is due", len(done.Versions))
	}
	ours, theirs := queueLines(readCatalog(t, db.SuperURL), "ponderal_queue."), queueLines(readCatalog(t, db.SuperURL), "theirs_queue.")
	if len(ours) < 60 {
		t.Fatalf("only %d lines to compare", len(ours))
	}
	if d := cmp.Diff(theirs, ours); d != "" {
		t.Errorf("ours differ (-theirs +ours):\n%s", d)
	}
}

// queueLines are the lines of the catalog about one schema, without its name and without what is ours.
func queueLines(catalog []string, schema string) []string {
	var out []string
	for _, line := range catalog {
		line = strings.ReplaceAll(line, "EXISTS ", "")
		switch {
		case !strings.Contains(line, schema), strings.Contains(line, "river_migration"), strings.Contains(line, "webhook_job_"):
			continue
		case strings.HasPrefix(line, "relation "), strings.HasPrefix(line, "function "):
			head, _, _ := strings.Cut(line, " acl ")
			line = head
		case strings.HasPrefix(line, "column "):
			// Where a column stands does not matter: the library added some later.
			fields := strings.Fields(line)
			line = strings.Join(slices.Delete(fields, 2, 3), " ")
		}
		out = append(out, strings.ReplaceAll(line, schema, ""))
	}
	slices.Sort(out)
	return out
}
