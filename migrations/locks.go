package migrations

import (
	"context"
	"errors"
	"fmt"
	"io"
	"strings"
	"time"

	"github.com/golang-migrate/migrate/v4/source"
	"github.com/jackc/pgx/v5/pgconn"
)

const (
	// limitLocks stands before each file, within its transaction: a file waits for no lock longer than a second, since all who come after it wait
	// behind it. It stands on the file's first line, so that the numbers of lines in errors stay right.
	limitLocks = "SET LOCAL lock_timeout = '1s'; "
	// lockTries is how often a file is begun whose locks others hold, lockPause for how long those who waited behind it go first.
	lockTries = 60
	lockPause = time.Second
	// codeLockNotAvailable is an SQLSTATE, PostgreSQL documentation, appendix A.
	codeLockNotAvailable = "55P03"
)

// hasty is a source whose files wait for no lock longer than a second.
type hasty struct{ source.Driver }

// ReadUp reads a file with the limit before it.
func (h hasty) ReadUp(version uint) (io.ReadCloser, string, error) {
	return limited(h.Driver.ReadUp(version))
}

// ReadDown reads a file with the limit before it.
func (h hasty) ReadDown(version uint) (io.ReadCloser, string, error) {
	return limited(h.Driver.ReadDown(version))
}

type limitedFile struct {
	io.Reader
	io.Closer
}

func limited(file io.ReadCloser, name string, err error) (io.ReadCloser, string, error) {
	if err != nil {
		// As it is: golang-migrate looks into it.
		return nil, name, err
	}
	return limitedFile{io.MultiReader(strings.NewReader(limitLocks), file), file}, name, nil
}

// lockedOut says whether a file's locks were held by others, so that nothing of it was done.
func lockedOut(err error) bool {
	var pgErr *pgconn.PgError
	return errors.As(err, &pgErr) && pgErr.Code == codeLockNotAvailable
}

// letOthers waits before a file is begun again.
func letOthers(ctx context.Context) error {
	timer := time.NewTimer(lockPause)
	defer timer.Stop()
	select {
	case <-ctx.Done():
		return fmt.Errorf("wait for locks: %w", ctx.Err())
	case <-timer.C:
		return nil
	}
}
