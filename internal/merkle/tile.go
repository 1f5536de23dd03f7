package merkle

import (
	"errors"
	"fmt"

	"golang.org/x/mod/sumdb/tlog"
)

// The tiles of C2SP tlog-tiles (https://c2sp.org/tlog-tiles): 256 hashes wide, one of every eight levels of the tree.
const (
	TileWidth  = 1 << tileHeight
	tileHeight = 8
	// maxTileLevel is the highest level that the protocol names.
	maxTileLevel = 63
)

// ErrTilePath is a path that names no tile of hashes.
var ErrTilePath = errors.New("no path of a tile")

// Tile is Width consecutive hashes of the tree's level 8*Level, the first of them the one with number Index*256.
type Tile struct {
	Level int
	Index int64
	Width int // 1 to 256; below that the tile is partial
}

// ParseTile reads a path as Path writes it, and no other spelling; anything else is ErrTilePath, bundles of entries too.
func ParseTile(path string) (Tile, error) {
	t, err := tlog.ParseTilePath(tilePrefix + path)
	if err != nil || t.L < 0 || t.L > maxTileLevel {
		return Tile{}, fmt.Errorf("parse tile: %w", ErrTilePath)
	}
	return Tile{Level: t.L, Index: t.N, Width: t.W}, nil
}

// tilePrefix is what stands before a path where the height is not fixed.
const tilePrefix = "tile/8/"

// Path is the tile's path after `tile/`: level and index, and the width of a partial tile, as in 0/x001/x234/067.p/5.
func (t Tile) Path() string {
	return tlog.Tile{H: tileHeight, L: t.Level, N: t.Index, W: t.Width}.Path()[len(tilePrefix):]
}

// Exists reports whether a log of that size has all of the tile's hashes.
func (t Tile) Exists(size int64) bool {
	if t.Level < 0 || t.Index < 0 || t.Width < 1 || t.Width > TileWidth || t.Level*tileHeight > 62 || size < 0 {
		return false
	}
	hashes := size >> (t.Level * tileHeight)
	return t.Index <= hashes/TileWidth && t.Index*TileWidth+int64(t.Width) <= hashes
}

// Places says where the hashes of a tile that exists are stored: at that position, which is their level, in the nodes of each of the
// entries, ascending. A tile that cannot exist has none.
func (t Tile) Places() (entries []int64, position int) {
	if !t.Exists(MaxSize) {
		return nil, -1
	}
	position = t.Level * tileHeight
	for i := range int64(t.Width) {
		entries = append(entries, (t.Index*TileWidth+i+1)<<position-1)
	}
	return entries, position
}
