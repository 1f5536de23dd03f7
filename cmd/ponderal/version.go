package main

import (
	"context"
	"fmt"
	"runtime"
	"runtime/debug"

	"ponderal.example/internal/engine/score"
	"ponderal.example/migrations"
)

func versionCommand() command {
	return command{
		name:     "version",
		about:    "Say which build this is, with its engine rules and database schema.",
		detail:   "Says which source the binary was built from, the version of the engine's rules (a finding names it), and the\ndatabase schema that it expects.",
		examples: []string{"ponderal version"},
		run:      runVersion,
	}
}

func runVersion(_ context.Context, w world, f *flags) error {
	if err := f.read(0, 0); err != nil {
		return err
	}
	schema, err := migrations.Latest()
	if err != nil {
		return err
	}
	fmt.Fprintf(w.stdout, "ponderal %s, engine rules %s, database schema %d, %s\n", revision(), score.Version, schema, runtime.Version())
	return nil
}

// revision is the version control revision that the build recorded.
func revision() string {
	info, ok := debug.ReadBuildInfo()
	if !ok {
		return "unknown"
	}
	rev, dirty := info.Main.Version, ""
	for _, s := range info.Settings {
		switch {
		case s.Key == "vcs.revision":
			rev = s.Value
		case s.Key == "vcs.modified" && s.Value == "true":
			dirty = " with changes"
		}
	}
	if rev == "" {
		rev = "unknown"
	}
	return rev + dirty
}
