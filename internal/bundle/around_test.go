package bundle

import (
	"errors"
	"fmt"
	"strings"
	"testing"
)

// TestAround: what an answer says around the bundle must be what was signed, in every member that both know; what is not there says nothing.
func TestAround(t *testing.T) {
	m := newMaker(t)
	doc := m.document()
	b := m.bundle(doc, 4, 2, nil)
	file := string(must(Encode(b))(t))
	cases := map[string]struct{ members, want string }{
		"nothing":            {``, ""},
		"null":               {`"signedBy":null,`, ""},
		"the same":           {fmt.Sprintf(`"id":%q,"signedBy":"Dana Whitfield","signedAt":"2026-03-04T12:00:00Z","meaning":"SIGNATURE_MEANING_REVIEWED",`, doc.ID), ""},
		"the same, as proto": {`"signed_by":"Dana Whitfield","session_revision":` + fmt.Sprint(doc.SessionRevision) + `,`, ""},
		"the time in a zone": {`"signedAt":"2026-03-04T13:00:00+01:00",`, ""},
		"no decision":        {`"decision":"JOB_OUTCOME_UNSPECIFIED",`, ""},
		"superseded later":   {`"supersededBy":"018f0000-0000-7000-8000-0000000000ff","outdated":true,`, ""},
		"another decision":   {`"decision":"JOB_OUTCOME_MEETS",`, `the answer around the bundle says decision "JOB_OUTCOME_MEETS", the signed result says ""`},
		"another signer":     {`"signedBy":"Somebody Else",`, `says signed_by "Somebody Else", the signed result says "Dana Whitfield"`},
		"as proto":           {`"signed_by":"Somebody Else",`, `signed_by "Somebody Else"`},
		"another moment":     {`"signedAt":"2026-03-04T12:00:01Z",`, `signed_at "2026-03-04T12:00:01Z"`},
		"no moment":          {`"signedAt":5,`, `signed_at "5"`},
		"another meaning":    {`"meaning":"SIGNATURE_MEANING_TESTED_AND_REVIEWED",`, "meaning"},
		"another id":         {`"id":"x",`, `id "x"`},
		"another clinic":     {`"clinicId":"x",`, `clinic_id "x"`},
		"another session":    {`"sessionId":"x",`, `session_id "x"`},
		"another revision":   {`"sessionRevision":99,`, `session_revision "99"`},
		"another key":        {`"keyId":"x",`, `key_id "x"`},
		"replaces another":   {`"supersedes":"x",`, `supersedes "x"`},
		"replaced by itself": {fmt.Sprintf(`"supersededBy":%q,`, doc.ID), "replaced by itself"},
	}
	for name, c := range cases {
		for _, form := range []string{`{%s"bundle":%s}`, `{"result":{%s"bundle":%s}}`, `{"number":"1","result":{%s"bundle":%s}}`} {
			answer := []byte(fmt.Sprintf(form, c.members, file))
			r, err := Verify(m.ring, must(Decode(answer))(t), "")
			if err != nil {
				t.Fatal(err)
			}
			err = r.Around(answer)
			last := r.Steps[len(r.Steps)-1]
			if r.OK != (c.want == "") || errors.Is(err, ErrNotVerified) != (c.want != "") || !strings.Contains(last.Why, c.want) || last.Name != "answer" {
				t.Errorf("%s: ok %v, %v, step %+v; want %q", name, r.OK, err, last, c.want)
			}
			var text strings.Builder
			if err := r.WriteText(&text); err != nil || c.want != "" && (!strings.HasPrefix(text.String(), "NOT VERIFIED") || !strings.Contains(text.String(), c.want)) {
				t.Errorf("%s: %v\n%s", name, err, text.String())
			}
		}
	}
	bare, err := Verify(m.ring, b, "")
	if err != nil || bare.Around([]byte(file)) != nil || bare.Steps[len(bare.Steps)-1].Name == "answer" {
		t.Errorf("a bare bundle: %v, %+v", err, bare.Steps)
	}
}
