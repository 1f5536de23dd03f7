package bundle

import (
	"os"
	"path/filepath"
	"reflect"
	"slices"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"

	"ponderal.example/internal/mass"
	"ponderal.example/internal/record"
)

// enclosedMembers are what Split takes out of a document.
var enclosedMembers = []string{"session.series.trials", "session.series.stop_note", "session.hand_series.trials", "session.hand_series.note",
	"session.position_series.bouts", "session.position_series.note", "finding.capacities.trials", "finding.capacities.mechanics", "finding.capacities.aerobic",
	"finding.positions.asked_seconds", "finding.positions.kept_seconds", "finding.positions.longest_seconds", "corrections.reason"}

// TestEveryMemberIsDecided: whoever adds a member to what a result holds says whether a payer without raw trials may see it: it is taken out by Split
// and stands above, or it is one of the kept ones in testdata/kept_members.txt.
func TestEveryMemberIsDecided(t *testing.T) {
	var got []string
	membersOf(reflect.TypeFor[record.ResultDocument](), "", func(path string) bool {
		if slices.Contains(enclosedMembers, path) {
			return false
		}
		got = append(got, path)
		return true
	})
	text := must(os.ReadFile(filepath.Join("testdata", "kept_members.txt")))(t)
	want := strings.Fields(string(text))
	if diff := cmp.Diff(want, got); diff != "" {
		t.Errorf("members that a payer without raw trials is shown (-decided +now): decide in Split, enclosedMembers and testdata/kept_members.txt\n%s", diff)
	}
}

// membersOf visits the members of a type's JSON in the order of its fields, those within a member where visit says so.
func membersOf(of reflect.Type, at string, visit func(path string) bool) {
	for of.Kind() == reflect.Pointer || of.Kind() == reflect.Slice {
		of = of.Elem()
	}
	if of.Kind() != reflect.Struct || of == reflect.TypeFor[mass.Mass]() || of == reflect.TypeFor[record.Time]() {
		return
	}
	for i := range of.NumField() {
		f := of.Field(i)
		name, _, _ := strings.Cut(f.Tag.Get("json"), ",")
		if !f.IsExported() || name == "-" {
			continue
		}
		if path := strings.TrimPrefix(at+"."+name, "."); visit(path) {
			membersOf(f.Type, path, visit)
		}
	}
}
