package casework

import (
	"context"
	"fmt"
	"sync"

	"ponderal.example/internal/authn"
	"ponderal.example/internal/fault"
	"ponderal.example/internal/record"
)

// BatchAnswer is what became of one session of a batch: stored, or refused with Err. ConflictID is set where it is kept as a conflict.
type BatchAnswer struct {
	SessionID  string
	Pushed     Pushed
	Err        error
	ConflictID string
}

// PushSessions stores sessions, each whole or not at all, and answers each in its place. One whose id is stored with other content is kept as a
// conflict, in the same transaction that finds it out. Safe to repeat, wholly or in parts.
func (c *Casework) PushSessions(ctx context.Context, p authn.Principal, list []record.Session) ([]BatchAnswer, error) {
	if err := need(p, record.RoleEvaluator, record.RoleStation); err != nil {
		return nil, err
	}
	seen := make(map[string]int, len(list))
	var twice []fault.Violation
	for i, s := range list {
		if at, ok := seen[s.ID]; ok {
			twice = append(twice, fault.Violation{Field: fmt.Sprintf("sessions[%d].id", i), Rule: "batch.once",
				Text: fmt.Sprintf("each session stands once in a batch; sessions[%d] has the same id", at)})
		}
		seen[s.ID] = i
	}
	if err := fault.InvalidFields(twice); err != nil {
		return nil, err
	}
	answers := make([]BatchAnswer, len(list))
	var pushing sync.WaitGroup
	for i, s := range list {
		// They meet at the clinic's gate, which stores them in groups.
		pushing.Go(func() {
			var got Pushed
			err := aside(func() (err error) {
				got, err = c.push(ctx, p, s, true)
				return err
			})
			answers[i] = BatchAnswer{SessionID: s.ID, Pushed: got, Err: err, ConflictID: got.Conflict}
		})
	}
	pushing.Wait()
	return answers, nil
}
