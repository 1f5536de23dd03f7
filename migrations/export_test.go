package migrations

import (
	"context"
	"errors"
	"io/fs"
)

// Files are the embedded files, for the tests of their form.
var Files fs.FS = files

// LatestIn is Latest for other files.
func LatestIn(from fs.FS) (uint, error) { return latestIn(from) }

// UpFrom is Up with other files.
func UpFrom(ctx context.Context, adminURL string, from fs.FS) error {
	r, err := open(ctx, adminURL, from)
	if err != nil {
		return err
	}
	err = r.run(ctx, up)
	return errors.Join(err, r.close())
}

// DownFrom is Down with other files.
func DownFrom(ctx context.Context, adminURL string, from fs.FS) error {
	r, err := open(ctx, adminURL, from)
	if err != nil {
		return err
	}
	err = r.run(ctx, down)
	return errors.Join(err, r.close())
}
