//go:build container && unix

package localpg

import (
	"crypto/rand"
	"os"
	"strings"
	"testing"
)

// TestContainer proves the third source. It needs a container engine, so it
// stands behind the build tag "container"; on machines that cannot pull images,
// PONDERAL_TEST_CONTAINER_IMAGE names one that is there.
func TestContainer(t *testing.T) {
	o := Options{
		BinDirs: []string{}, NoFsync: true, MaxConnections: 23, Random: rand.Reader,
		Image: os.Getenv("PONDERAL_TEST_CONTAINER_IMAGE"),
	}
	s := mustStart(t, o)
	if !strings.Contains(s.Describe(), "in a container of image") {
		t.Errorf("Describe() = %q, does not speak of a container", s.Describe())
	}
	if got := queryOne[string](t, s.AdminURL(""), "SHOW max_connections"); got != "23" {
		t.Errorf("max_connections = %s, want 23", got)
	}
	checkOwner(t, s)
	mustClose(t, s)
	if accepts(t, s.AdminURL("")) {
		t.Error("the port is still open after Close")
	}
}

func TestImageThatIsNotThereIsAnError(t *testing.T) {
	o := Options{BinDirs: []string{}, Random: rand.Reader, Image: "localhost:1/no/such/image:none"}
	if _, err := Start(limited(t), o); err == nil || !strings.Contains(err.Error(), "localhost:1/no/such/image:none") {
		t.Errorf("Start = %v, want an error that names the image", err)
	}
}
