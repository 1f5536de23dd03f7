package deploy

import (
	"context"
	"path/filepath"
	"strings"
	"testing"

	"github.com/compose-spec/compose-go/v2/cli"
	"github.com/compose-spec/compose-go/v2/types"
)

// composition loads compose.yaml with the library of the specification, which validates it against the schema.
func composition(env ...string) (*types.Project, error) {
	options, err := cli.NewProjectOptions([]string{filepath.Join(folder, "compose.yaml")}, cli.WithName("ponderal"), cli.WithEnv(env))
	if err != nil {
		return nil, err
	}
	return options.LoadProject(context.Background())
}

// TestComposition: it is valid, has no default for what must be said, hands secrets over as files, and bounds every service.
func TestComposition(t *testing.T) {
	if _, err := composition(); err == nil || !strings.Contains(err.Error(), "PONDERAL_") {
		t.Errorf("without an image and a log's name: error %v", err)
	}
	p, err := composition("PONDERAL_IMAGE=registry.example/ponderal:1", "PONDERAL_LOG_NAME=audit.network.example")
	if err != nil {
		t.Fatal(err)
	}
	if got := *p.Services["service"].Deploy.Replicas; got != 2 {
		t.Errorf("%d replicas, want 2", got)
	}
	for name, s := range p.Services {
		if s.Deploy == nil || s.Deploy.Resources.Limits == nil || s.Deploy.Resources.Limits.MemoryBytes == 0 {
			t.Errorf("%s is not bounded", name)
		}
		if len(s.CapDrop) != 1 || s.CapDrop[0] != "ALL" || s.Privileged {
			t.Errorf("%s has more rights than it needs", name)
		}
		for key, value := range s.Environment {
			if value != nil && (strings.HasSuffix(key, "PASSWORD") || strings.Contains(*value, ":"+"password@")) {
				t.Errorf("%s: %s is a secret in the environment", name, key)
			}
		}
	}
	for name, s := range p.Secrets {
		if s.File == "" {
			t.Errorf("secret %s is no file", name)
		}
	}
	if !p.Networks["data"].Internal || p.Services["postgres_a"].Ports != nil || p.Services["postgres_b"].Ports != nil {
		t.Error("Postgres can be reached from outside")
	}
}
