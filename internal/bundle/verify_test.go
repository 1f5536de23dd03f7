package bundle

import (
	"crypto/ed25519"
	"crypto/sha256"
	"encoding/base64"
	"errors"
	"slices"
	"strings"
	"testing"

	"ponderal.example/internal/record"
	"ponderal.example/internal/seal"
)

func TestVerifyAccepts(t *testing.T) {
	m := newMaker(t)
	plain := m.document()
	better := m.document()
	better.Supersedes, better.SupersedeReason = otherID, "a load was misread"
	cases := map[string]struct {
		doc           record.ResultDocument
		number, after int64
		logName       string
	}{
		"only entry":           {plain, 0, 0, ""},
		"among others":         {plain, 5, 7, ""},
		"named log":            {plain, 5, 7, logName},
		"superseding":          {better, 3, 0, ""},
		"job as recommended":   {m.withJob(m.document(), record.Meets, ""), 1, 1, ""},
		"job with own comment": {m.withJob(m.document(), record.DoesNotMeet, "Pain at night after the session."), 1, 1, ""},
	}
	for name, c := range cases {
		t.Run(name, func(t *testing.T) {
			if c.doc.Job != nil && c.doc.Comment == "" {
				c.doc.Decision = c.doc.Finding.Job.Outcome
			}
			r, err := Verify(m.ring, m.bundle(c.doc, c.number, c.after, nil), c.logName)
			if err != nil || !r.OK {
				t.Fatalf("got %v, want verified; steps %+v", err, r.Steps)
			}
			for _, s := range r.Steps {
				if s.State != StepOK {
					t.Errorf("step %s is %s", s.Name, s.State)
				}
			}
			if r.Entry.Number != c.number || r.Document.ID != resultID || r.KeyID != m.resultKey.ID {
				t.Errorf("report names entry %d, result %s, key %s", r.Entry.Number, r.Document.ID, r.KeyID)
			}
		})
	}
}

// TestVerifyIndependently checks a bundle by the text of the standards alone: the JWS signing input of RFC 7515 section 5.1 with
// crypto/ed25519, and the inclusion proof by the hashing of RFC 6962 section 2.1 written out, for a tree of two leaves.
func TestVerifyIndependently(t *testing.T) {
	m := newMaker(t)
	b := m.bundle(m.document(), 1, 0, nil)
	parts := strings.Split(b.JWS, ".")
	sig := must(base64.RawURLEncoding.DecodeString(parts[2]))(t)
	if !ed25519.Verify(m.resultKey.Public().Key, []byte(parts[0]+"."+parts[1]), sig) {
		t.Error("RFC 7515: signature over the signing input does not verify")
	}
	leaf := sha256.Sum256(slices.Concat([]byte{0}, b.Salt, b.Entry))
	root := sha256.Sum256(slices.Concat([]byte{1}, b.Path[0][:], leaf[:]))
	if lines := strings.Split(b.Checkpoint, "\n"); lines[1] != "2" || lines[2] != base64.StdEncoding.EncodeToString(root[:]) {
		t.Errorf("RFC 6962: checkpoint %q does not have root %x", b.Checkpoint, root)
	}
}

// TestVerifyRefuses changes one thing at a time that the signer could have signed; each is caught by the step meant for it.
func TestVerifyRefuses(t *testing.T) {
	m := newMaker(t)
	doc := func(edit func(*record.ResultDocument)) Bundle {
		d := m.document()
		edit(&d)
		return m.bundle(d, 4, 2, nil)
	}
	entry := func(edit func(*record.Entry)) Bundle { return m.bundle(m.document(), 4, 2, edit) }
	whole := func(edit func(*Bundle)) Bundle {
		b := m.bundle(m.document(), 4, 2, nil)
		edit(&b)
		return b
	}
	noJobDecision := func(d *record.ResultDocument) { d.Decision = record.Meets }
	cases := []struct {
		name, step string
		bundle     Bundle
	}{
		{"other format", "document", doc(func(d *record.ResultDocument) { d.Format = "ponderal-result-9" })},
		{"age", "statement", doc(func(d *record.ResultDocument) { d.Person.AgeYears++ })},
		{"client of another clinic", "statement", doc(func(d *record.ResultDocument) { d.Client.ClinicID = otherID })},
		{"session of another referral", "statement", doc(func(d *record.ResultDocument) { d.Session.ReferralID = otherID })},
		{"finding of another revision", "statement", doc(func(d *record.ResultDocument) { d.SessionRevision = 2 })},
		{"replaces without reason", "statement", doc(func(d *record.ResultDocument) { d.Supersedes = otherID })},
		{"replaces itself", "statement", doc(func(d *record.ResultDocument) { d.Supersedes, d.SupersedeReason = d.ID, "x" })},
		{"no cautions", "statement", doc(func(d *record.ResultDocument) { d.Cautions = nil })},
		{"decision without job", "statement", doc(noJobDecision)},
		{"job without decision", "statement", m.bundle(m.withJob(m.document(), "", ""), 4, 2, nil)},
		{"other decision without comment", "statement", m.bundle(m.withJob(m.document(), record.DoesNotMeet, ""), 4, 2, nil)},
		{"entry of another clinic", "entry", entry(func(e *record.Entry) { e.ClinicID = otherID })},
		{"entry of another action", "entry", entry(func(e *record.Entry) { e.Action = record.ActionResultSupersede })},
		{"entry of another result", "entry", entry(func(e *record.Entry) { e.Records[0].ID = otherID })},
		{"entry of another kind", "entry", entry(func(e *record.Entry) { e.Records[0].Kind = record.KindFinding })},
		{"entry with another digest", "entry", entry(func(e *record.Entry) { e.Records[0].Digest = "x" })},
		{"entry by another", "signer", entry(func(e *record.Entry) { e.Actor.MemberID = otherID })},
		{"entry in another role", "signer", entry(func(e *record.Entry) { e.Actor.Role = record.RoleClinicAdmin })},
		{"entry an hour later", "signer", entry(func(e *record.Entry) { e.At = at("2026-03-04T13:00:00Z") })},
		{"no meaning", "signer", doc(func(d *record.ResultDocument) { d.Signature.Meaning = "" })},
		{"tested by another", "signer", doc(func(d *record.ResultDocument) {
			d.Signature.Meaning, d.Session.EvaluatorID = record.MeaningTestedAndReviewed, otherID
		})},
		{"another place", "inclusion", entry(func(e *record.Entry) { e.Number = 3 })},
		{"no path", "inclusion", whole(func(b *Bundle) { b.Path = nil })},
		{"protocol changed", "protocols", doc(func(d *record.ResultDocument) { d.Protocols[0].Protocol.Name = "other" })},
		{"protocol twice", "protocols", doc(func(d *record.ResultDocument) { d.Protocols = append(d.Protocols, d.Protocols[0]) })},
		{"no protocol", "protocols", doc(func(d *record.ResultDocument) { d.Protocols = nil })},
		{"other engine", "engine", doc(func(d *record.ResultDocument) { d.Finding.Engine = "0" })},
		{"other finding", "finding", doc(func(d *record.ResultDocument) { d.Finding.Remarks = []record.Remark{{Code: "x", Text: "y"}} })},
	}
	for _, c := range cases {
		t.Run(c.name, func(t *testing.T) { wantFailure(t, m.ring, c.bundle, "", c.step) })
	}
}

// wantFailure demands that exactly this step fails, all before it hold and all after it are skipped.
func wantFailure(t *testing.T, ring seal.Ring, b Bundle, name, step string) {
	t.Helper()
	r, err := Verify(ring, b, name)
	if !errors.Is(err, ErrNotVerified) || r.OK {
		t.Fatalf("got %v, want ErrNotVerified", err)
	}
	at := slices.IndexFunc(r.Steps, func(s Step) bool { return s.State == StepFailed })
	if at < 0 || r.Steps[at].Name != step || r.Steps[at].Why == "" {
		t.Fatalf("want step %s to fail, got %v in %+v", step, err, r.Steps)
	}
	for i, s := range r.Steps {
		if i < at && s.State != StepOK || i > at && s.State != StepSkipped {
			t.Errorf("step %s is %s around the failed step %s", s.Name, s.State, step)
		}
	}
}

func TestVerifyRefusesOtherKeysAndLogs(t *testing.T) {
	m := newMaker(t)
	b := m.bundle(m.document(), 4, 2, nil)
	logOnly := must(seal.NewRing(m.logKey.Public()))(t)
	resultOnly := must(seal.NewRing(m.resultKey.Public()))(t)
	wantFailure(t, seal.Ring{}, b, "", "signature")
	wantFailure(t, logOnly, b, "", "signature")
	wantFailure(t, resultOnly, b, "", "checkpoint")
	wantFailure(t, m.ring, b, "other.ponderal.example", "checkpoint")
	foreign := b
	foreign.Checkpoint = must(seal.SignCheckpoint(t.Context(), m.logKey, logName+"/"+otherID, 7, [32]byte{}))(t)
	wantFailure(t, m.ring, foreign, "", "checkpoint")
}

// TestVerifyRefusesPartsOfAnotherResult mixes two bundles that are each good.
func TestVerifyRefusesPartsOfAnotherResult(t *testing.T) {
	m := newMaker(t)
	one := m.bundle(m.document(), 4, 2, nil)
	second := m.document()
	second.ID = otherID
	two := m.bundle(second, 5, 1, nil)
	for _, b := range []Bundle{one, two} {
		if _, err := Verify(m.ring, b, ""); err != nil {
			t.Fatal(err)
		}
	}
	mixed := func(edit func(*Bundle)) Bundle { b := one; edit(&b); return b }
	sigOf := func(jws string) string { return jws[strings.LastIndexByte(jws, '.'):] }
	wantFailure(t, m.ring, mixed(func(b *Bundle) { b.JWS = strings.TrimSuffix(b.JWS, sigOf(b.JWS)) + sigOf(two.JWS) }), "", "signature")
	wantFailure(t, m.ring, mixed(func(b *Bundle) { b.JWS = two.JWS }), "", "entry")
	wantFailure(t, m.ring, mixed(func(b *Bundle) { b.Entry, b.Salt = two.Entry, two.Salt }), "", "entry")
	wantFailure(t, m.ring, mixed(func(b *Bundle) { b.Salt = two.Salt }), "", "entry")
	wantFailure(t, m.ring, mixed(func(b *Bundle) { b.Path = two.Path }), "", "inclusion")
	wantFailure(t, m.ring, mixed(func(b *Bundle) { b.Checkpoint = two.Checkpoint }), "", "inclusion")
}

// TestAnyAlteredByteFails replaces every byte of a bundle file, in turn, by each of a set of others.
func TestAnyAlteredByteFails(t *testing.T) {
	m := newMaker(t)
	file := must(Encode(m.bundle(m.document(), 4, 2, nil)))(t)
	if !verifies(m.ring, file) {
		t.Fatal("the unaltered file does not verify")
	}
	for i := range file {
		was := file[i]
		// The least change of every byte, and in turn a change of case, a blank and a letter.
		for _, now := range []byte{was ^ 0x01, [3]byte{was ^ 0x20, ' ', 'A'}[i%3]} {
			if now == was {
				continue
			}
			file[i] = now
			if verifies(m.ring, file) {
				t.Errorf("byte %d altered from %q to %q still verifies", i, was, now)
			}
		}
		file[i] = was
	}
}

// TestAnyMissingByteFails cuts every byte out in turn, and the file short at every place.
func TestAnyMissingByteFails(t *testing.T) {
	m := newMaker(t)
	file := must(Encode(m.bundle(m.document(), 4, 2, nil)))(t)
	for i := range file {
		if verifies(m.ring, slices.Concat(file[:i], file[i+1:])) {
			t.Errorf("without byte %d it still verifies", i)
		}
		if verifies(m.ring, file[:i]) {
			t.Errorf("cut at byte %d it still verifies", i)
		}
	}
}

func verifies(ring seal.Ring, file []byte) bool {
	b, err := Decode(file)
	if err != nil {
		return false
	}
	_, err = Verify(ring, b, "")
	return err == nil
}
