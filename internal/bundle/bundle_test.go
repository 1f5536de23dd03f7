package bundle

import (
	"bytes"
	"encoding/json"
	"errors"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"

	"ponderal.example/internal/canon"
	"ponderal.example/internal/record"
)

func TestDecodeForms(t *testing.T) {
	m := newMaker(t)
	want := m.bundle(m.document(), 4, 2, nil)
	file := must(Encode(want))(t)
	var spaced bytes.Buffer
	if err := json.Indent(&spaced, file, "", "  "); err != nil {
		t.Fatal(err)
	}
	for name, doc := range map[string]string{
		"file":      string(file),
		"spaced":    spaced.String(),
		"response":  `{"result":{"id":"x","bundle":` + string(file) + `,"revision":{"number":1}}}`,
		"feed item": `{"number":"3","result":{"id":"x","bundle":` + spaced.String() + `}}`,
		"result":    `{"id":"x","bundle":` + string(file) + `}`,
	} {
		got, err := Decode([]byte(doc))
		if err != nil {
			t.Errorf("%s: %v", name, err)
		}
		if diff := cmp.Diff(want, got); diff != "" {
			t.Errorf("%s: (-want +got)\n%s", name, diff)
		}
	}
	first := m.bundle(m.document(), 0, 0, nil)
	short := strings.Replace(string(must(Encode(first))(t)), `"path":[],`, "", 1)
	if got, err := Decode([]byte(short)); err != nil || len(got.Path) != 0 {
		t.Errorf("without an empty path: %v", err)
	}
}

func TestDecodeRefuses(t *testing.T) {
	m := newMaker(t)
	file := string(must(Encode(m.bundle(m.document(), 4, 2, nil)))(t))
	swap := func(old, new string) string {
		if !strings.Contains(file, old) {
			t.Fatalf("the file has no %q", old)
		}
		return strings.Replace(file, old, new, 1)
	}
	for name, doc := range map[string]string{
		"nothing":         "",
		"null":            "null",
		"number":          "7",
		"array":           "[" + file + "]",
		"text after":      file + "x",
		"two":             file + file,
		"null result":     `{"result":null}`,
		"no bundle":       `{"result":{"id":"x"}}`,
		"null member":     swap(`"path":[`, `"path":null,"pat":[`),
		"capitals":        swap(`"jws"`, `"JWS"`),
		"unknown member":  swap(`{"checkpoint"`, `{"a":1,"checkpoint"`),
		"repeated member": swap(`{"checkpoint"`, `{"format":"ponderal-bundle-1","checkpoint"`),
		"no jws":          swap(`"jws":"`, `"jws":"","format":"`),
		"other format":    swap(Format, "ponderal-bundle-9"),
		"salt padded":     swap(`"}`, `="}`),
		"path number":     swap(`"path":[`, `"path":[1,`),
		"path short":      swap(`"path":[`, `"path":["AA",`),
	} {
		if _, err := Decode([]byte(doc)); !errors.Is(err, ErrBundle) {
			t.Errorf("%s: got %v, want ErrBundle", name, err)
		}
	}
}

func TestParseRefuses(t *testing.T) {
	m := newMaker(t)
	payload := string(must(Payload(m.document()))(t))
	got, err := Parse([]byte(payload))
	if err != nil {
		t.Fatal(err)
	}
	if again := must(Payload(got))(t); string(again) != payload {
		t.Error("parsed and written again the payload differs")
	}
	for name, doc := range map[string]string{
		"space":          " " + payload,
		"unknown member": strings.Replace(payload, `{"cautions"`, `{"a":1,"cautions"`, 1),
		"capitals":       strings.Replace(payload, `"format"`, `"Format"`, 1),
		"empty member":   strings.Replace(payload, `"finding"`, `"decision":"","finding"`, 1),
		"other form":     strings.Replace(payload, `"session_revision":1`, `"session_revision":"1"`, 1),
		"other format":   strings.Replace(payload, record.ResultFormat, "ponderal-result-9", 1),
	} {
		if doc == payload {
			t.Fatalf("%s: nothing replaced", name)
		}
		if _, err := Parse([]byte(doc)); !errors.Is(err, ErrDocument) {
			t.Errorf("%s: got %v, want ErrDocument", name, err)
		}
	}
}

// TestPersonOf: an age is counted in completed years; the day of the birthday completes one.
func TestPersonOf(t *testing.T) {
	for _, c := range []struct {
		born, at string
		age      int
		ok       bool
	}{
		{"1980-03-05", "2026-03-04T23:59:59Z", 45, true},
		{"1980-03-05", "2026-03-05T00:00:00Z", 46, true},
		{"1980-12-31", "2026-01-01T00:00:00Z", 45, true},
		{"2000-02-29", "2026-02-28T12:00:00Z", 25, true},
		{"2000-02-29", "2026-03-01T12:00:00Z", 26, true},
		{"2026-03-04", "2026-03-04T12:00:00Z", 0, true},
		{"2026-03-05", "2026-03-04T12:00:00Z", 0, false},
		{"1980-02-30", "2026-03-04T12:00:00Z", 0, false},
		{"", "2026-03-04T12:00:00Z", 0, false},
	} {
		got, err := PersonOf(record.Client{BirthDate: c.born, Sex: record.Male}, at(c.at))
		if (err == nil) != c.ok || got.AgeYears != c.age {
			t.Errorf("born %s at %s: got %d, %v; want %d, ok %v", c.born, c.at, got.AgeYears, err, c.age, c.ok)
		}
	}
}

func TestWriteText(t *testing.T) {
	m := newMaker(t)
	doc := m.withJob(m.document(), record.DoesNotMeet, "Pain\x1b[31m at night.")
	doc.Corrections = []record.Correction{{Series: 1, Trial: 2, Revision: 2, At: at("2026-03-04T11:00:00Z"), By: "Dana Whitfield", Reason: "misread load"}}
	r, err := Verify(m.ring, m.bundle(doc, 4, 2, nil), "")
	if err != nil {
		t.Fatal(err)
	}
	var out strings.Builder
	if err := r.WriteText(&out); err != nil {
		t.Fatal(err)
	}
	for _, want := range []string{
		"VERIFIED: every check holds.\n", "Dana Whitfield, PT (reviewer) on 2026-03-04 12:00 UTC",
		"reviewed the finding and answers for the decision", "Recorded    entry 4 of log " + logName + "/" + clinicID,
		"Decided by the reviewer:   does not meet", "series 1 trial 2 by Dana Whitfield on 2026-03-04 11:00 UTC: misread load",
		"20.0 lb (9.1 kg)", "- These findings do not replace clinical judgement.", "cannot be told from this file",
	} {
		if !strings.Contains(out.String(), want) {
			t.Errorf("the report lacks %q", want)
		}
	}
	if strings.Contains(out.String(), "\x1b") {
		t.Error("a control character of the document reached the terminal")
	}
	bad, err := Verify(m.ring, Bundle{}, "")
	if err == nil {
		t.Fatal("an empty bundle verifies")
	}
	out.Reset()
	if err := bad.WriteText(&out); err != nil {
		t.Fatal(err)
	}
	if !strings.HasPrefix(out.String(), "NOT VERIFIED") || strings.Contains(out.String(), "Signed by") {
		t.Errorf("a report of a failure reads\n%s", out.String())
	}
}

// FuzzDecode: what is accepted encodes to the file that decodes to the same.
func FuzzDecode(f *testing.F) {
	m := newMaker(f)
	f.Add(must(Encode(m.bundle(m.document(), 4, 2, nil)))(f))
	f.Add(must(Encode(m.committed(m.document(), nil)))(f))
	f.Add([]byte(`{"result":{"bundle":{}}}`))
	f.Fuzz(func(t *testing.T, doc []byte) {
		b, err := Decode(doc)
		if err != nil {
			if !errors.Is(err, ErrBundle) {
				t.Fatalf("got %v, want ErrBundle", err)
			}
			return
		}
		file, err := Encode(b)
		if err != nil || !canon.IsCanonical(file) {
			t.Fatalf("encode again: %v", err)
		}
		again, err := Decode(file)
		if err != nil {
			t.Fatal(err)
		}
		if diff := cmp.Diff(b, again); diff != "" {
			t.Errorf("(-first +second)\n%s", diff)
		}
	})
}

// FuzzParse: what is accepted is written again in the same bytes.
func FuzzParse(f *testing.F) {
	m := newMaker(f)
	f.Add(must(Payload(m.document()))(f))
	signed, _, err := Commit(m.rich(), make([]byte, saltSize))
	if err != nil {
		f.Fatal(err)
	}
	f.Add(must(Payload(signed))(f))
	f.Fuzz(func(t *testing.T, payload []byte) {
		doc, err := Parse(payload)
		if err != nil {
			return
		}
		if again, err := Payload(doc); err != nil || !bytes.Equal(again, payload) {
			t.Errorf("written again it differs: %v", err)
		}
	})
}
