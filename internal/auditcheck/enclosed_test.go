package auditcheck

import (
	"strings"
	"testing"

	"ponderal.example/internal/canon"
	"ponderal.example/internal/store"
)

// TestEnclosedColumns: what is kept beside a signed text is what it commits to, and nothing where it commits to nothing.
func TestEnclosedColumns(t *testing.T) {
	t.Parallel()
	salt, trials := make([]byte, 32), []byte(`{"series":[]}`)
	commits := []byte(`{"enclosed_digest":"` + canon.DigestBase64url(canon.Digest(salt, trials)) + `","format":"f"}`)
	other := append([]byte{1}, salt[1:]...)
	for name, c := range map[string]struct {
		payload, enclosed, salt []byte
		want                    string
	}{
		"as committed":         {commits, trials, salt, ""},
		"inside":               {[]byte(`{"format":"f"}`), nil, nil, ""},
		"inside and beside":    {[]byte(`{"format":"f"}`), trials, salt, "has them inside"},
		"inside with a salt":   {[]byte(`{"format":"f"}`), nil, salt, "has them inside"},
		"not there":            {commits, nil, nil, "are not there"},
		"without salt":         {commits, trials, nil, "are not there"},
		"salt alone":           {commits, nil, salt, "are not there"},
		"other trials":         {commits, []byte(`{"series":[1]}`), salt, "are not those"},
		"other salt":           {commits, trials, other, "are not those"},
		"unreadable":           {[]byte(`[`), trials, salt, unreadable},
		"digest not a text":    {[]byte(`{"enclosed_digest":7}`), trials, salt, "are not those"},
		"digest an empty text": {[]byte(`{"enclosed_digest":""}`), trials, salt, "are not those"},
	} {
		got := enclosedColumns(c.payload, store.ResultScan{Enclosed: c.enclosed, EnclosedSalt: c.salt})
		if c.want == "" && got != "" || !strings.Contains(got, c.want) {
			t.Errorf("%s: got %q, want %q", name, got, c.want)
		}
	}
}
