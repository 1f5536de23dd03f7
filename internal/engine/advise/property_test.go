package advise_test

import (
	"math/rand/v2"
	"testing"

	"ponderal.example/internal/engine/advise"
)

// TestNoLoadPastAFailedGuard runs the same property over many made inputs and demands that every action was seen.
func TestNoLoadPastAFailedGuard(t *testing.T) {
	seen := map[advise.Action]int{}
	recipes, refused := 0, 0
	for seed := range uint64(30_000) {
		r := rand.New(rand.NewPCG(seed, 3))
		b := make([]byte, 400)
		for i := range b {
			b[i] = byte(r.IntN(256))
		}
		from := &byteSource{left: b}
		in := from.input()
		w := from.wish(&in)
		seen[check(t, in, w)]++
		p := advise.Plan(&in, w)
		if p.Recipe != nil {
			recipes++
		}
		if p.Above != nil || p.Below != nil {
			refused++
		}
	}
	for _, action := range advise.Actions() {
		if seen[action] < 20 {
			t.Errorf("%s was advised %d times", action, seen[action])
		}
	}
	if recipes < 200 || refused < 200 {
		t.Errorf("%d recipes, %d loads that the kit does not make", recipes, refused)
	}
	t.Log(seen, recipes, refused)
}
