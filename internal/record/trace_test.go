package record_test

import (
	"bytes"
	"compress/gzip"
	"encoding/json"
	"math/rand/v2"
	"slices"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"
	"google.golang.org/protobuf/encoding/protowire"

	"ponderal.example/internal/record"
)

// halfHour is an invented trace of 1800 readings: a walk of up to 3 beats a second between 70 and 170, with a lost contact.
func halfHour() []int32 {
	random := rand.New(rand.NewPCG(1, 2))
	changes, last := []int32{88}, 88
	for len(changes) < 1800 {
		next := min(max(last+random.IntN(7)-3, 70), 170)
		if n := len(changes); n >= 900 && n < 905 {
			next = 0
		} else if last == 0 {
			next = 120
		}
		changes, last = append(changes, int32(next-last)), next
	}
	return changes
}

// TestTraceReturnsExactly, and takes no more than a byte a reading once compressed, as gzip of the record's JSON; packed it is what protocol
// buffers write for sint32 (reference library: protowire).
func TestTraceReturnsExactly(t *testing.T) {
	changes := halfHour()
	trace := record.NewHeartRateTrace(record.Time{}, changes)
	again, ok := trace.Unpack()
	if diff := cmp.Diff(changes, again); !ok || diff != "" {
		t.Fatal(ok, diff)
	}
	var packed []byte
	for _, c := range changes {
		packed = protowire.AppendVarint(packed, protowire.EncodeZigZag(int64(c)))
	}
	if want := record.NewHeartRateTrace(record.Time{}, nil); want.Changes != "" {
		t.Error("an empty trace has text")
	}
	var text bytes.Buffer
	z := gzip.NewWriter(&text)
	if err := json.NewEncoder(z).Encode(trace); err != nil {
		t.Fatal(err)
	}
	if err := z.Close(); err != nil {
		t.Fatal(err)
	}
	if text.Len() > len(changes) {
		t.Errorf("%d bytes for %d readings", text.Len(), len(changes))
	}
	if !strings.HasPrefix(trace.Changes, "sAE") || len(packed) < len(changes) || len(packed) > len(changes)+8 {
		t.Errorf("packed in %d bytes, beginning %q", len(packed), trace.Changes[:3])
	}
}

// TestTraceRules: each bound, at it and just past it.
func TestTraceRules(t *testing.T) {
	full := slices.Repeat([]int32{0}, 7200)
	full[0] = 100
	for name, c := range map[string]struct {
		changes []int32
		want    string
	}{
		"one reading":     {[]int32{20}, ""},
		"highest":         {[]int32{250}, ""},
		"none":            {[]int32{0}, ""},
		"two hours":       {full, ""},
		"below":           {[]int32{19}, "t.changes[0] trace.reading"},
		"above":           {[]int32{250, 1}, "t.changes[1] trace.reading"},
		"below none":      {[]int32{20, -21}, "t.changes[1] trace.reading"},
		"empty":           {nil, "t.changes trace.length"},
		"over two hours":  {append([]int32{100}, full...), "t.changes trace.length"},
		"up, down, up it": {[]int32{100, -80, 230}, ""},
	} {
		if name == "over two hours" {
			c.changes[1] = 0
		}
		got := ""
		for _, v := range record.CheckTrace(record.NewHeartRateTrace(record.Time{}, c.changes), "t") {
			got += v.Field + " " + v.Rule
		}
		if got != c.want {
			t.Errorf("%s: %q, want %q", name, got, c.want)
		}
	}
	for _, text := range []string{"!", "gA", "gAA", "AAA=", "AB"} {
		if _, ok := (record.HeartRateTrace{Changes: text}).Unpack(); ok {
			t.Errorf("%q was unpacked", text)
		}
	}
	if len(record.CheckTrace(nil, "t")) != 0 {
		t.Error("no trace breaks a rule")
	}
}
