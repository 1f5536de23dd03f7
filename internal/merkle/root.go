package merkle

import (
	"fmt"

	"golang.org/x/mod/sumdb/tlog"
)

// RootAt returns the root of the log's first size entries from the stored hashes (RFC 6962, 2.1). The empty tree needs none.
func RootAt(size int64, r tlog.HashReader) (Hash, error) {
	if size < 0 || size > MaxSize {
		return Hash{}, fmt.Errorf("root of size %d: %w", size, ErrRange)
	}
	if size == 0 {
		return EmptyRoot(), nil
	}
	root, err := tlog.TreeHash(size, r)
	if err != nil {
		return Hash{}, fmt.Errorf("root of size %d: %w", size, err)
	}
	return Hash(root), nil
}
