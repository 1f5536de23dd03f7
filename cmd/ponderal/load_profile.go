package main

import (
	"context"
	"errors"
	"fmt"
	"os"
	"runtime/pprof"
)

// profiled is the word by which load's own child serves with a CPU profile. It is load's alone: a service in use writes none.
const profiled = "serve-profiled"

// serveProfiled is serve, with a CPU profile of all of it in a file.
func serveProfiled(ctx context.Context, w world, path string) error {
	file, err := os.Create(path)
	if err != nil {
		return fmt.Errorf("write the profile: %w", err)
	}
	if err := pprof.StartCPUProfile(file); err != nil {
		return errors.Join(fmt.Errorf("write the profile: %w", err), file.Close())
	}
	err = runServe(ctx, w, newFlags(serveCommand()).from(nil))
	pprof.StopCPUProfile()
	return errors.Join(err, file.Close())
}
