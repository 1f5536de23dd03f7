// Package migrations holds the database schema as numbered SQL files, and
// applies them.
//
// A file NNNN_name.up.sql takes the schema one step forward and NNNN_name.down.sql
// back again. Each is sent as one batch, which Postgres runs as one
// transaction: a file holds no BEGIN, COMMIT or ROLLBACK, and a file that fails
// leaves nothing behind. A file waits for no lock longer than a second: then it
// lets others go first and begins anew. Files are applied with an empty search_path, so that
// every name in them says its schema. The list of applied files is the
// table public.ponderal_schema_migrations, outside the schema that the files make
// and drop.
package migrations

import (
	"context"
	"database/sql"
	"embed"
	"errors"
	"fmt"
	"io/fs"
	"slices"
	"strconv"
	"strings"
	"time"

	"github.com/golang-migrate/migrate/v4"
	"github.com/golang-migrate/migrate/v4/database"
	migratepgx "github.com/golang-migrate/migrate/v4/database/pgx/v5"
	"github.com/golang-migrate/migrate/v4/source/iofs"
	"github.com/jackc/pgx/v5"
	"github.com/jackc/pgx/v5/pgconn"
	"github.com/jackc/pgx/v5/stdlib"
)

//go:embed *.sql
var files embed.FS

const (
	schema = "public"
	table  = "ponderal_schema_migrations"
	// lockLimit is how long to wait for another process that migrates the
	// same database.
	lockLimit = 2 * time.Minute
	// noVersion is golang-migrate's number for a database before the first file.
	noVersion = -1

	up   = "up"
	down = "down"
)

// Up applies every file that the database lacks. adminURL names the database
// and logs in as the role that is to own the schema. Where nothing is lacking it
// does nothing. When ctx ends, it stops after the file in hand.
func Up(ctx context.Context, adminURL string) error {
	r, err := open(ctx, adminURL, files)
	if err != nil {
		return err
	}
	err = r.run(ctx, up)
	return errors.Join(err, r.close())
}

// Down takes every applied file back: the data is gone afterwards.
func Down(ctx context.Context, adminURL string) error {
	r, err := open(ctx, adminURL, files)
	if err != nil {
		return err
	}
	err = r.run(ctx, down)
	return errors.Join(err, r.close())
}

// Version gives the number of the last applied file, 0 for none, and whether
// it was cut short (then the schema is in an unknown state). It only reads.
func Version(ctx context.Context, url string) (version uint, dirty bool, err error) {
	conn, err := pgx.Connect(ctx, url)
	if err != nil {
		return 0, false, fmt.Errorf("read schema version: %w", err)
	}
	defer closeConn(ctx, conn)
	var number int64
	err = conn.QueryRow(ctx, "SELECT version, dirty FROM "+schema+"."+table).Scan(&number, &dirty)
	var pgErr *pgconn.PgError
	if errors.Is(err, pgx.ErrNoRows) || (errors.As(err, &pgErr) && pgErr.Code == codeUndefinedTable) {
		return 0, false, nil
	}
	if err != nil {
		return 0, false, fmt.Errorf("read schema version: %w", err)
	}
	return uint(max(number, 0)), dirty, nil
}

// Latest is the number of the last file, which is the version that this build
// of the program expects.
func Latest() (uint, error) { return latestIn(files) }

func latestIn(from fs.FS) (uint, error) {
	numbers, err := numbersIn(from)
	if err != nil || len(numbers) == 0 {
		return 0, err
	}
	return uint(numbers[len(numbers)-1]), nil
}

// runner is one database and the files to apply to it.
type runner struct {
	files  fs.FS
	driver database.Driver
	m      *migrate.Migrate
}

func open(ctx context.Context, adminURL string, from fs.FS) (*runner, error) {
	config, err := pgx.ParseConfig(adminURL)
	if err != nil {
		return nil, errors.New("open database to migrate: not a Postgres URL")
	}
	config.RuntimeParams["search_path"] = ""
	config.RuntimeParams["application_name"] = "ponderal migrate"
	db := stdlib.OpenDB(*config)
	if err := db.PingContext(ctx); err != nil {
		return nil, errors.Join(fmt.Errorf("open database to migrate: %w", err), db.Close())
	}
	r, err := newRunner(db, from)
	if err != nil {
		return nil, errors.Join(fmt.Errorf("open database to migrate: %w", err), db.Close())
	}
	return r, nil
}

func newRunner(db *sql.DB, from fs.FS) (*runner, error) {
	source, err := iofs.New(from, ".")
	if err != nil {
		return nil, fmt.Errorf("read migrations: %w", err)
	}
	driver, err := migratepgx.WithInstance(db, &migratepgx.Config{SchemaName: schema, MigrationsTable: table})
	if err != nil {
		return nil, errors.Join(fmt.Errorf("prepare %s.%s: %w", schema, table, err), source.Close())
	}
	m, err := migrate.NewWithInstance("embedded", hasty{source}, "postgres", driver)
	if err != nil {
		return nil, errors.Join(err, source.Close(), driver.Close())
	}
	m.LockTimeout = lockLimit
	return &runner{files: from, driver: driver, m: m}, nil
}

func (r *runner) close() error {
	sourceErr, driverErr := r.m.Close()
	return errors.Join(sourceErr, driverErr)
}

// run applies the files of one direction until none is left, and says which
// one failed, if one did. It asks for one file at a time: golang-migrate reads
// ahead otherwise, and leaves the reader behind when a file fails. Each file is
// applied under a lock, so several processes may do this at once.
func (r *runner) run(ctx context.Context, direction string) error {
	numbers, err := numbersIn(r.files)
	if err != nil {
		return fmt.Errorf("migrate %s: %w", direction, err)
	}
	for tries := 1; ; {
		before, err := r.position()
		if err != nil {
			return fmt.Errorf("migrate %s: %w", direction, err)
		}
		if before.isEnd(direction, numbers) {
			return nil
		}
		if ctx.Err() != nil {
			return fmt.Errorf("migrate %s: stopped early: %w", direction, ctx.Err())
		}
		err = r.m.Steps(stepOf(direction))
		if errors.Is(err, fs.ErrNotExist) && r.movedFrom(before) {
			continue // another process applied the last file meanwhile
		}
		if err == nil {
			tries = 1
			continue
		}
		err = r.explain(direction, numbers, err)
		if !lockedOut(err) || tries == lockTries {
			return err
		}
		tries++
		if stopped := letOthers(ctx); stopped != nil {
			return errors.Join(err, stopped)
		}
	}
}

func stepOf(direction string) int {
	if direction == up {
		return 1
	}
	return -1
}

// position is where a database stands. It is dirty while a file is being
// applied, and after a file was cut short.
type position struct {
	version int
	dirty   bool
}

func (r *runner) position() (position, error) {
	version, dirty, err := r.driver.Version()
	if err != nil {
		return position{}, fmt.Errorf("read schema version: %w", err)
	}
	return position{version, dirty}, nil
}

func (r *runner) movedFrom(before position) bool {
	now, err := r.position()
	return err == nil && now != before
}

func (p position) isEnd(direction string, numbers []int) bool {
	last := noVersion
	if direction == up && len(numbers) > 0 {
		last = numbers[len(numbers)-1]
	}
	return !p.dirty && p.version == last
}

// explain names the file that failed. When it is Postgres that refused it,
// the file's transaction is undone, and so is the mark that it was begun: the
// next Up or Down may try again.
func (r *runner) explain(direction string, numbers []int, err error) error {
	var pgErr *pgconn.PgError
	line, refused := refusal(err, &pgErr)
	if !refused {
		return fmt.Errorf("migrate %s: %w", direction, err)
	}
	marked, positionErr := r.position()
	if positionErr != nil || !marked.dirty {
		return errors.Join(fmt.Errorf("migrate %s: %w", direction, pgErr), positionErr)
	}
	failed, restore := failedStep(direction, marked.version, numbers)
	named := fmt.Errorf("migrate %s: %s line %d: %w", direction, fileName(r.files, failed, direction), line, pgErr)
	return errors.Join(named, r.m.Force(restore))
}

// refusal finds Postgres' own answer in a golang-migrate error, whose text
// would repeat the whole file.
func refusal(err error, pgErr **pgconn.PgError) (line uint, ok bool) {
	var value database.Error
	if errors.As(err, &value) {
		return value.Line, errors.As(value.OrigErr, pgErr)
	}
	var pointer *database.Error
	if errors.As(err, &pointer) {
		return pointer.Line, errors.As(pointer.OrigErr, pgErr)
	}
	return 0, false
}

// failedStep turns the version that golang-migrate marked before a step (the
// one that the step leads to) into the file that failed and the version to which its
// undone transaction leaves the database.
func failedStep(direction string, marked int, numbers []int) (failed, restore int) {
	previous, next := noVersion, marked
	for _, n := range numbers {
		if n < marked {
			previous = n
		}
		if n > marked {
			next = n
			break
		}
	}
	if direction == up {
		return marked, previous
	}
	return next, next
}

// numbersIn lists the files' numbers in order.
func numbersIn(from fs.FS) ([]int, error) {
	names, err := fs.Glob(from, "*.up.sql")
	if err != nil {
		return nil, fmt.Errorf("list migrations: %w", err)
	}
	var numbers []int
	for _, name := range names {
		digits, _, _ := strings.Cut(name, "_")
		n, err := strconv.ParseUint(digits, 10, 31)
		if err != nil {
			return nil, fmt.Errorf("migration %s: name must begin with its number: %w", name, err)
		}
		numbers = append(numbers, int(n))
	}
	slices.Sort(numbers)
	return numbers, nil
}

// fileName finds a file by number and direction.
func fileName(from fs.FS, number int, direction string) string {
	names, err := fs.Glob(from, fmt.Sprintf("%04d_*.%s.sql", number, direction))
	if err != nil || len(names) == 0 {
		return fmt.Sprintf("migration %d %s", number, direction)
	}
	return names[0]
}

func closeConn(ctx context.Context, conn *pgx.Conn) {
	ctx, cancel := context.WithTimeout(context.WithoutCancel(ctx), time.Second)
	defer cancel()
	_ = conn.Close(ctx)
}
