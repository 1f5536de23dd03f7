package store

import (
	"bytes"
	"context"
	"testing"

	"golang.org/x/mod/sumdb/tlog"

	"ponderal.example/internal/pgtest"
)

// TestNodesAtAreATile: what one query reads at a tile's places is what golang.org/x/mod/sumdb/tlog reads of the tile, for both levels of a log of
// 514 entries; of an entry that is not there nothing comes, and of one without such a hash none that is whole.
func TestNodesAtAreATile(t *testing.T) {
	t.Parallel()
	ctx := context.Background()
	s := open(t, pgtest.New(t))
	openLogs(t, s, clinicA, clinicB)
	const size = 514
	var stored []tlog.Hash
	reader := tlog.HashReaderFunc(func(indexes []int64) ([]tlog.Hash, error) {
		out := make([]tlog.Hash, len(indexes))
		for i, x := range indexes {
			out[i] = stored[x]
		}
		return out, nil
	})
	for n := range int64(size) {
		e := entry(n, "client.put")
		hashes, err := tlog.StoredHashes(n, e.Content, reader)
		if err != nil {
			t.Fatal(err)
		}
		stored, e.Nodes = append(stored, hashes...), nil
		for _, h := range hashes {
			e.Nodes = append(e.Nodes, h[:]...)
		}
		in(t, s, clinicA, func(tx *Tx) error {
			if _, _, err := tx.LockHead(ctx); err != nil {
				return err
			}
			return tx.Apply(ctx, Write{Entry: e, Edge: bytes.Repeat([]byte{1}, 32)})
		})
	}
	for _, c := range []struct {
		tile     tlog.Tile
		entries  []int64
		position int
	}{
		{tlog.Tile{H: 8, L: 0, N: 0, W: 256}, run(0, 256), 0}, {tlog.Tile{H: 8, L: 0, N: 2, W: 2}, run(512, 2), 0},
		{tlog.Tile{H: 8, L: 1, N: 0, W: 2}, []int64{255, 511}, 8},
	} {
		want, err := tlog.ReadTileData(c.tile, reader)
		if err != nil {
			t.Fatal(err)
		}
		in(t, s, clinicA, func(tx *Tx) error {
			got, err := tx.NodesAt(ctx, c.entries, c.position)
			if !bytes.Equal(bytes.Join(got, nil), want) {
				t.Errorf("%s: %d hashes that differ", c.tile.Path(), len(got))
			}
			return err
		})
	}
	in(t, s, clinicA, func(tx *Tx) error {
		got, err := tx.NodesAt(ctx, []int64{size - 1, size}, 0)
		none, err2 := tx.NodesAt(ctx, []int64{0}, 1)
		if len(got) != 1 || len(got[0]) != 32 || len(none) != 1 || len(none[0]) != 0 || err2 != nil {
			t.Errorf("beyond the log %d hashes, at a level without one %v, %v", len(got), none, err2)
		}
		return err
	})
	in(t, s, clinicB, func(tx *Tx) error {
		got, err := tx.NodesAt(ctx, run(0, 256), 0)
		if len(got) != 0 {
			t.Errorf("another clinic reads %d hashes", len(got))
		}
		return err
	})
}

func run(first int64, n int) []int64 {
	out := make([]int64, n)
	for i := range out {
		out[i] = first + int64(i)
	}
	return out
}

// TestHasReleased: only the payer whose feed holds an item of the clinic.
func TestHasReleased(t *testing.T) {
	t.Parallel()
	s := open(t, pgtest.New(t))
	fill(t, s, clinicA, "a")
	for _, c := range []struct {
		payer, clinic string
		want          bool
	}{
		{payer, clinicA, true}, {payer, clinicB, false}, {id(999), clinicA, false}, {"", clinicA, false}, {payer, "", false}, {payer, "x", false},
	} {
		got, err := s.HasReleased(context.Background(), c.payer, c.clinic)
		if got != c.want || err != nil {
			t.Errorf("payer %q, clinic %q: %v, %v", c.payer, c.clinic, got, err)
		}
	}
}
