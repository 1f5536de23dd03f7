package merkle

import (
	"bytes"
	"errors"
	"fmt"
	"math"
	"testing"

	"github.com/google/go-cmp/cmp"
	"golang.org/x/mod/sumdb/tlog"
)

// TestTilePaths: the paths of C2SP tlog-tiles, "Merkle Tree": its example index 1234067 is x001/x234/067, a level is 0 to 63, a partial width 1 to
// 255, and nothing has leading zeroes.
func TestTilePaths(t *testing.T) {
	for path, want := range map[string]Tile{
		"0/000": {0, 0, 256}, "0/x001/x234/067": {0, 1234067, 256}, "0/x001/x234/067.p/255": {0, 1234067, 255}, "63/999.p/1": {63, 999, 1},
		"1/x001/000": {1, 1000, 256},
	} {
		got, err := ParseTile(path)
		if err != nil || got != want || got.Path() != path {
			t.Errorf("%s: %v, %v; written %s", path, got, err, got.Path())
		}
	}
	for _, path := range []string{
		"", "0", "/", "0/", "00/000", "64/000", "-1/000", "+0/000", "0/0", "0/00", "0/0000", "0/1000", "0/x000", "0/x000/001", "0/x1/000", "0/001/000",
		"0/000.p", "0/000.p/", "0/000.p/0", "0/000.p/01", "0/000.p/256", "0/000.p/-1", "0/000.p/1/", "0/000.p/1/2", "data/000", "entries/000", "8/0/000",
		"0/000 ", " 0/000", "0/../000", "0/%30%30%30", "0/000?x", "0/x999/x999/x999/x999/x999/x999/999", "0/٠٠٠",
	} {
		if got, err := ParseTile(path); !errors.Is(err, ErrTilePath) {
			t.Errorf("%q: %v, %v", path, got, err)
		}
	}
}

func FuzzTilePath(f *testing.F) {
	for _, path := range []string{"0/000", "0/x001/x234/067.p/5", "63/999.p/255", "data/000", "0/x9223372036854775807/000"} {
		f.Add(path)
	}
	f.Fuzz(func(t *testing.T, path string) {
		tile, err := ParseTile(path)
		if err != nil {
			return
		}
		if tile.Path() != path {
			t.Errorf("%q is written %q", path, tile.Path())
		}
		if tile.Level < 0 || tile.Level > 63 || tile.Index < 0 || tile.Width < 1 || tile.Width > TileWidth {
			t.Errorf("%q is %+v", path, tile)
		}
		if entries, _ := tile.Places(); tile.Exists(MaxSize) != (len(entries) == tile.Width) {
			t.Errorf("%q has %d places", path, len(entries))
		}
	})
}

// TestTilesOfTheSpecificationsExample: a tree of 70,000 has 273 full tiles of level 0 and one of width 112, one full tile of level 1 and one of
// width 17, and one of level 2 of width 1; one of 256 has a full tile and one of level 1 of width 1 (C2SP tlog-tiles, "Partial Tiles").
func TestTilesOfTheSpecificationsExample(t *testing.T) {
	for _, c := range []struct {
		size         int64
		exists, none []Tile
	}{
		{70_000, []Tile{{0, 0, 256}, {0, 272, 256}, {0, 273, 112}, {1, 0, 256}, {1, 1, 17}, {2, 0, 1}},
			[]Tile{{0, 273, 113}, {0, 273, 256}, {0, 274, 1}, {1, 1, 18}, {1, 2, 1}, {2, 0, 2}, {2, 1, 1}, {3, 0, 1}}},
		{256, []Tile{{0, 0, 1}, {0, 0, 256}, {1, 0, 1}}, []Tile{{0, 1, 1}, {1, 0, 2}, {2, 0, 1}}},
		{0, nil, []Tile{{0, 0, 1}, {0, 0, 0}, {1, 0, 1}}},
		{MaxSize, []Tile{{0, 1<<45 - 1, 255}, {6, 0, 31}},
			[]Tile{{0, 1<<45 - 1, 256}, {0, 1 << 45, 1}, {6, 0, 32}, {7, 0, 1}, {8, 0, 1}, {63, 0, 1}, {0, math.MaxInt64, 1}, {-1, 0, 1}, {0, -1, 1}, {0, 0, 257}}},
	} {
		for _, tile := range c.exists {
			if !tile.Exists(c.size) {
				t.Errorf("size %d: %s is missing", c.size, tile.Path())
			}
		}
		for _, tile := range c.none {
			if tile.Exists(c.size) {
				t.Errorf("size %d: %+v exists", c.size, tile)
			}
		}
	}
	if entries, position := (Tile{7, 0, 1}).Places(); entries != nil || position != -1 {
		t.Errorf("a tile beyond every log has places %v, %d", entries, position)
	}
}

// TestTilesAsTlogReadsThem: what stands at a tile's places is, for every tile of a log, what golang.org/x/mod/sumdb/tlog reads of the tile.
func TestTilesAsTlogReadsThem(t *testing.T) {
	const size = 66_000
	var stored []tlog.Hash
	reader := tlog.HashReaderFunc(func(indexes []int64) ([]tlog.Hash, error) {
		out := make([]tlog.Hash, len(indexes))
		for i, x := range indexes {
			out[i] = stored[x]
		}
		return out, nil
	})
	nodes := make([][]tlog.Hash, size)
	for n := range int64(size) {
		hashes, err := tlog.StoredHashes(n, fmt.Appendf(nil, "entry %d", n), reader)
		if err != nil {
			t.Fatal(err)
		}
		stored, nodes[n] = append(stored, hashes...), hashes
	}
	tiles := tlog.NewTiles(8, 0, size)
	if len(tiles) < 258 {
		t.Fatalf("only %d tiles", len(tiles))
	}
	for _, want := range tiles {
		tile := Tile{Level: want.L, Index: want.N, Width: want.W}
		if "tile/8/"+tile.Path() != want.Path() || !tile.Exists(size) {
			t.Errorf("%s: written %s, exists %v", want.Path(), tile.Path(), tile.Exists(size))
		}
		data, err := tlog.ReadTileData(want, reader)
		if err != nil {
			t.Fatal(err)
		}
		var got []byte
		entries, position := tile.Places()
		for _, e := range entries {
			got = append(got, nodes[e][position][:]...)
		}
		if !bytes.Equal(got, data) {
			t.Errorf("%s: %s", want.Path(), cmp.Diff(got, data))
		}
	}
}
