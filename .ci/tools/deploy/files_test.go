package deploy

import (
	"bufio"
	"bytes"
	"os"
	"path/filepath"
	"testing"
)

// folder is deploy/, seen from here.
const folder = "../../../deploy"

func read(t *testing.T, name string) []byte {
	t.Helper()
	content, err := os.ReadFile(filepath.Join(folder, name))
	if err != nil {
		t.Fatal(err)
	}
	return content
}

// newReader is what the splitter of documents wants.
func newReader(content []byte) *bufio.Reader { return bufio.NewReader(bytes.NewReader(content)) }
