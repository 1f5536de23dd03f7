package canon

import (
	"bytes"
	"encoding/json"
	"errors"
	"slices"
	"strings"
	"testing"
	"unicode/utf16"
	"unicode/utf8"
)

func TestWriterWritesEveryKindOfValue(t *testing.T) {
	w := NewWriter(nil)
	w.BeginObject()
	w.Key("array")
	w.BeginArray()
	w.Int(-MaxInt)
	w.Null()
	w.Bool(false)
	w.BeginArray()
	w.EndArray()
	w.BeginObject()
	w.EndObject()
	w.EndArray()
	w.BoolField("bool", true)
	w.IntField("int", MaxInt)
	w.RawField("raw", []byte(`{"a":[1.5]}`))
	w.StringField("text", "quote \" back \\ tab \t bell \a all \b\f\n\r é 😀 </script>\u2028")
	w.EndObject()
	got, err := w.Bytes()
	if err != nil {
		t.Fatal(err)
	}
	want := `{"array":[-9007199254740991,null,false,[],{}],"bool":true,"int":9007199254740991,` +
		`"raw":{"a":[1.5]},"text":"quote \" back \\ tab \t bell \u0007 all \b\f\n\r é 😀 </script>` + "\u2028" + `"}`
	if string(got) != want {
		t.Errorf("got  %s\nwant %s", got, want)
	}
	if again, err := Transform(got); !bytes.Equal(again, got) || err != nil {
		t.Errorf("Transform makes it %s, %v", again, err)
	}
	w.Reset()
	w.String("again")
	if got, err := w.Bytes(); string(got) != `"again"` || err != nil {
		t.Errorf("after Reset: %s, %v", got, err)
	}
}

// writing is a way to use a Writer, and the error it ends in, nil for none.
type writing struct {
	name  string
	write func(*Writer)
	want  error
}

func checkWritings(t *testing.T, all []writing) {
	t.Helper()
	for _, tt := range all {
		var w Writer
		tt.write(&w)
		got, err := w.Bytes()
		if !errors.Is(err, tt.want) {
			t.Errorf("%s: %v, want %v", tt.name, err, tt.want)
		}
		if err == nil && !IsCanonical(got) {
			t.Errorf("%s: wrote %q, which is not canonical", tt.name, got)
		}
	}
}

func TestWriterRefusesMembers(t *testing.T) {
	checkWritings(t, []writing{
		{"rising names", func(w *Writer) { object(w, "a", "b") }, nil},
		{"falling names", func(w *Writer) { object(w, "b", "a") }, ErrOrder},
		{"repeated name", func(w *Writer) { object(w, "a", "a") }, ErrOrder},
		{"UTF-16 order", func(w *Writer) { object(w, "😀", "\ufb33") }, nil},
		{"byte order", func(w *Writer) { object(w, "\ufb33", "😀") }, ErrOrder},
		{"a name in an inner object starts anew", func(w *Writer) {
			w.BeginObject()
			w.Key("b")
			object(w, "a")
			w.IntField("c", 1)
			w.EndObject()
		}, nil},
		{"the outer order goes on", func(w *Writer) {
			w.BeginObject()
			w.Key("b")
			object(w, "z")
			w.IntField("a", 1)
			w.EndObject()
		}, ErrOrder},
		{"text not UTF-8", func(w *Writer) { w.String("\xff") }, ErrMalformed},
		{"name not UTF-8", func(w *Writer) { object(w, "\xff") }, ErrMalformed},
		{"largest integer", func(w *Writer) { w.Int(MaxInt) }, nil},
		{"integer too large", func(w *Writer) { w.Int(MaxInt + 1) }, ErrInexact},
		{"integer too small", func(w *Writer) { w.Int(-MaxInt - 1) }, ErrInexact},
	})
}

func TestWriterRefusesShapes(t *testing.T) {
	checkWritings(t, []writing{
		{"nothing", func(*Writer) {}, ErrShape},
		{"array after the end", func(w *Writer) { w.Int(1); w.BeginArray(); w.EndArray() }, ErrShape},
		{"two values", func(w *Writer) { w.Int(1); w.Int(2) }, ErrShape},
		{"open array", func(w *Writer) { w.BeginArray() }, ErrShape},
		{"open object", func(w *Writer) { w.BeginObject() }, ErrShape},
		{"value without name", func(w *Writer) { w.BeginObject(); w.Int(1); w.EndObject() }, ErrShape},
		{"name without value", func(w *Writer) { w.BeginObject(); w.Key("a"); w.EndObject() }, ErrShape},
		{"name after name", func(w *Writer) { w.BeginObject(); w.Key("a"); w.Key("b") }, ErrShape},
		{"name in array", func(w *Writer) { w.BeginArray(); w.Key("a") }, ErrShape},
		{"name outside", func(w *Writer) { w.Key("a") }, ErrShape},
		{"array closed as object", func(w *Writer) { w.BeginArray(); w.EndObject() }, ErrShape},
		{"object closed as array", func(w *Writer) { w.BeginObject(); w.EndArray() }, ErrShape},
		{"closed twice", func(w *Writer) { w.BeginArray(); w.EndArray(); w.EndArray() }, ErrShape},
		{"raw canonical", func(w *Writer) { w.Raw([]byte(`[1]`)) }, nil},
		{"raw canonical, escaped names", func(w *Writer) { w.Raw([]byte(`{"\n":1}`)) }, nil},
		{"raw with a space", func(w *Writer) { w.Raw([]byte(`[1 ]`)) }, ErrNotCanonical},
		{"raw of nothing", func(w *Writer) { w.Raw(nil) }, ErrNotCanonical},
		{"raw of two values", func(w *Writer) { w.Raw([]byte(`1,2`)) }, ErrNotCanonical},
		{"deepest", func(w *Writer) { nest(w, MaxDepth, nil) }, nil},
		{"too deep", func(w *Writer) { nest(w, MaxDepth+1, nil) }, ErrDepth},
		{"raw deepest", func(w *Writer) { nest(w, MaxDepth-1, []byte(`[1]`)) }, nil},
		{"raw too deep", func(w *Writer) { nest(w, MaxDepth, []byte(`[1]`)) }, ErrNotCanonical},
		{"raw with escaped names deepest", func(w *Writer) { nest(w, MaxDepth-1, []byte(`{"\n":"[["}`)) }, nil},
		{"raw with escaped names too deep", func(w *Writer) { nest(w, MaxDepth, []byte(`{"\n":"[["}`)) }, ErrNotCanonical},
	})
}

func TestWriterKeepsTheFirstError(t *testing.T) {
	var w Writer
	w.BeginObject()
	w.StringField("a", "\xff")
	w.IntField("A", MaxInt+1)
	w.BoolField("0", true)
	w.RawField("", nil)
	w.EndObject()
	if _, err := w.Bytes(); !errors.Is(err, ErrMalformed) {
		t.Errorf("%v, want the first error, ErrMalformed", err)
	}
}

func object(w *Writer, names ...string) {
	w.BeginObject()
	for _, n := range names {
		w.IntField(n, 1)
	}
	w.EndObject()
}

// nest writes depth arrays in each other with inside, if any, in the innermost.
func nest(w *Writer, depth int, inside []byte) {
	for range depth {
		w.BeginArray()
	}
	if inside != nil {
		w.Raw(inside)
	}
	for range depth {
		w.EndArray()
	}
}

// FuzzWriter writes any acceptable document by the Writer and by Transform: the
// bytes must be the same.
func FuzzWriter(f *testing.F) {
	for _, d := range loadVectors(f).Documents {
		f.Add(unhexed(f, d.Input))
	}
	f.Add([]byte(`{"series":[{"number":1,"note":"a\u0007b"},true,null,-7,"😀"]}`))
	f.Fuzz(func(t *testing.T, doc []byte) {
		want, err := Transform(doc)
		if err != nil {
			return
		}
		var w Writer
		if !replay(&w, want) {
			return // holds an integer that only Transform writes
		}
		got, err := w.Bytes()
		if err != nil || !bytes.Equal(got, want) {
			t.Fatalf("Writer writes %q, %v; Transform %q", got, err, want)
		}
	})
}

// replay writes a canonical document value by value, through encoding/json's
// view of it and a sort of its own. It reports whether the Writer can.
func replay(w *Writer, doc []byte) bool {
	switch doc[0] {
	case '{':
		var members map[string]json.RawMessage
		if json.Unmarshal(doc, &members) != nil {
			return false
		}
		names := make([]string, 0, len(members))
		for n := range members {
			names = append(names, n)
		}
		slices.SortFunc(names, func(a, b string) int {
			return slices.Compare(utf16.Encode([]rune(a)), utf16.Encode([]rune(b)))
		})
		w.BeginObject()
		for _, n := range names {
			w.Key(n)
			if !replay(w, members[n]) {
				return false
			}
		}
		w.EndObject()
	case '[':
		var elements []json.RawMessage
		if json.Unmarshal(doc, &elements) != nil {
			return false
		}
		w.BeginArray()
		for _, e := range elements {
			if !replay(w, e) {
				return false
			}
		}
		w.EndArray()
	default:
		return replayScalar(w, doc)
	}
	return true
}

func replayScalar(w *Writer, doc []byte) bool {
	var v any
	dec := json.NewDecoder(bytes.NewReader(doc))
	dec.UseNumber()
	if dec.Decode(&v) != nil {
		return false
	}
	switch v := v.(type) {
	case string:
		w.String(v)
		return utf8.ValidString(v)
	case bool:
		w.Bool(v)
	case nil:
		w.Null()
	case json.Number:
		n, err := v.Int64()
		if err != nil || strings.ContainsAny(v.String(), ".eE") {
			w.Raw(doc)
			return true
		}
		if n > MaxInt || n < -MaxInt {
			return false
		}
		w.Int(n)
	}
	return true
}

func BenchmarkWriter(b *testing.B) {
	w := NewWriter(nil)
	b.ReportAllocs()
	for b.Loop() {
		w.Reset()
		writeTrials(w, 48)
		doc, err := w.Bytes()
		if err != nil {
			b.Fatal(err)
		}
		b.SetBytes(int64(len(doc)))
	}
}

func writeTrials(w *Writer, n int) {
	w.BeginArray()
	for i := range n {
		w.BeginObject()
		w.IntField("effort", int64(i%11))
		w.RawField("load", []byte(`{"unit":"lb","value":"22.5"}`))
		w.StringField("note", "steady")
		w.IntField("number", int64(i+1))
		w.IntField("peak_rate", int64(80+i))
		w.EndObject()
	}
	w.EndArray()
}
