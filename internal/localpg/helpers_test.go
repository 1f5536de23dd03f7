//go:build unix

package localpg

import (
	"context"
	"crypto/rand"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"testing"
	"time"

	"github.com/jackc/pgx/v5"
	"go.uber.org/goleak"
)

// serveVariable makes the test binary start a server in the folder that it
// names, print its data folder, and wait to be killed.
const serveVariable = "PONDERAL_LOCALPG_TEST_SERVE"

func TestMain(m *testing.M) {
	if dir := os.Getenv(serveVariable); dir != "" {
		serveUntilKilled(dir)
		return
	}
	goleak.VerifyTestMain(m)
}

// serveUntilKilled plays a program that is killed before it can clean up.
func serveUntilKilled(dir string) {
	s, err := Start(context.Background(), Options{TempDir: dir, NoFsync: true, Random: rand.Reader})
	if err != nil {
		fmt.Println("error:", err)
		return
	}
	fmt.Println("serving", s.AdminURL(""))
	_, _ = io.Copy(io.Discard, os.Stdin)
}

// publicDir is a folder that every account may enter and that is removed with all
// in it. t.TempDir will not do: only its owner may enter.
func publicDir(t *testing.T) string {
	t.Helper()
	dir, err := os.MkdirTemp("", "localpg-test-")
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		if err := os.RemoveAll(dir); err != nil {
			t.Errorf("remove %s: %v", dir, err)
		}
	})
	if err := os.Chmod(dir, 0o777); err != nil {
		t.Fatal(err)
	}
	return dir
}

func limited(t *testing.T) context.Context {
	t.Helper()
	ctx, cancel := context.WithTimeout(context.Background(), time.Minute)
	t.Cleanup(cancel)
	return ctx
}

// quick are the options of a server that is thrown away, in dir.
func quick(dir string) Options {
	return Options{TempDir: dir, NoFsync: true, NoContainer: true, Random: rand.Reader}
}

func mustStart(t *testing.T, o Options) *Server {
	t.Helper()
	s, err := Start(limited(t), o)
	if err != nil {
		t.Fatalf("Start: %v", err)
	}
	t.Cleanup(func() { mustClose(t, s) })
	return s
}

func mustClose(t *testing.T, s *Server) {
	t.Helper()
	ctx, cancel := context.WithTimeout(context.Background(), time.Minute)
	defer cancel()
	if err := s.Close(ctx); err != nil {
		t.Errorf("Close: %v", err)
	}
}

func mustConnect(t *testing.T, address string) *pgx.Conn {
	t.Helper()
	conn, err := pgx.Connect(limited(t), address)
	if err != nil {
		t.Fatalf("connect: %v", err)
	}
	t.Cleanup(func() { closeConn(context.Background(), conn) })
	return conn
}

func mustExec(t *testing.T, address, statement string, args ...any) {
	t.Helper()
	if _, err := mustConnect(t, address).Exec(limited(t), statement, args...); err != nil {
		t.Fatalf("%s: %v", statement, err)
	}
}

func queryOne[T any](t *testing.T, address, query string, args ...any) T {
	t.Helper()
	var v T
	if err := mustConnect(t, address).QueryRow(limited(t), query, args...).Scan(&v); err != nil {
		t.Fatalf("%s: %v", query, err)
	}
	return v
}

// privateFolders lists the folders that servers left in dir.
func privateFolders(t *testing.T, dir string) []string {
	t.Helper()
	paths, err := filepath.Glob(filepath.Join(dir, tempPrefix+"*"))
	if err != nil {
		t.Fatal(err)
	}
	return paths
}
