package demo

import (
	"context"
	"encoding/base64"
	"encoding/json"
	"errors"
	"fmt"
	"strings"

	ponderalv1 "ponderal.example/api/ponderal/v1"
	"ponderal.example/internal/bundle"
	"ponderal.example/internal/demo/caller"
	"ponderal.example/internal/merkle"
	"ponderal.example/internal/record"
	"ponderal.example/internal/seal"
)

// history answers who changed the corrected score, and verifies the proof of every step.
func (s *story) history(ctx context.Context) error {
	c := s.fixed
	got, err := caller.Do[ponderalv1.GetScoreHistoryResponse](ctx, c.clinic.reviewer, "AuditService/GetScoreHistory",
		&ponderalv1.GetScoreHistoryRequest{SessionId: c.visit.Session.Id})
	if err != nil {
		return err
	}
	s.p.say("The session of %s, every step, oldest first. Each step's entry was proved to be in the clinic's audit log: RFC 6962 inclusion up to a signed checkpoint, "+
		"checked here with the key set that the payer kept.", fullName(c.visit.Client))
	s.p.blank()
	standing, corrected := "", false
	for _, change := range got.GetChanges() {
		head, err := s.prove(c.clinic.Clinic.Clinic.Id, change)
		if err != nil {
			return fmt.Errorf("entry %d: %w", change.GetEntry().GetNumber(), err)
		}
		s.change(change, head)
		if change.GetEntry().GetAction() == record.ActionTrialCorrect {
			corrected = corrected || change.GetEntry().GetReason() == c.reason && len(change.GetMeasured()) > 0 && len(change.GetComputed()) > 0
		}
		if change.GetResultId() != "" {
			standing = change.GetResultId()
		}
	}
	if len(got.GetChanges()) < 4 || !corrected {
		return fmt.Errorf("the history has %d steps, want push, signature, correction with its reason and differences, and the new signature", len(got.GetChanges()))
	}
	if standing != c.successor {
		return fmt.Errorf("the last result that the history names is %q, want %s", standing, c.successor)
	}
	return nil
}

// change prints one step.
func (s *story) change(c *ponderalv1.ScoreChange, head seal.Checkpoint) {
	line := c.GetLine()
	if e := c.GetEntry(); e.GetAction() == record.ActionResultDisclose {
		// The full line names every result of the page, most of other people.
		line = fmt.Sprintf("%s %s (payer) pulled the feed. [entry %d]", e.GetAt().AsTime().UTC().Format(bundle.Minute), e.GetActor().GetName(), e.GetNumber())
	}
	s.p.item("%s", line)
	if len(c.GetMeasured()) > 0 {
		s.p.line("    measured:")
		s.differences(c.GetMeasured())
	}
	if len(c.GetComputed()) > 0 {
		s.p.line("    computed:")
		s.differences(c.GetComputed())
	}
	s.p.line("    proof holds: entry %d in the signed log of %d entries", c.GetEntry().GetNumber(), head.Size)
}

// prove verifies an entry's proof with the kept keys: the entry shown is the entry hashed, and it stands in the signed tree.
func (s *story) prove(clinicID string, c *ponderalv1.ScoreChange) (seal.Checkpoint, error) {
	proof := c.GetProof()
	var entry record.Entry
	if err := json.Unmarshal([]byte(proof.GetEntry()), &entry); err != nil {
		return seal.Checkpoint{}, fmt.Errorf("read the proved entry: %w", err)
	}
	shown := c.GetEntry()
	if entry.ClinicID != clinicID || uint64(entry.Number) != shown.GetNumber() || entry.Action != shown.GetAction() || entry.Reason != shown.GetReason() {
		return seal.Checkpoint{}, errors.New("the entry that is shown is not the entry that is proved")
	}
	origin, _, _ := strings.Cut(proof.GetCheckpoint(), "\n")
	if origin != s.o.LogName+"/"+clinicID {
		return seal.Checkpoint{}, fmt.Errorf("the checkpoint is of log %q", origin)
	}
	head, err := seal.VerifyCheckpoint(s.ring, origin, proof.GetCheckpoint())
	if err != nil {
		return seal.Checkpoint{}, err
	}
	salt, err := base64.RawURLEncoding.DecodeString(proof.GetSalt())
	if err != nil {
		return seal.Checkpoint{}, fmt.Errorf("read salt: %w", err)
	}
	path := make([]merkle.Hash, len(proof.GetPath()))
	for i, text := range proof.GetPath() {
		hash, err := base64.RawURLEncoding.DecodeString(text)
		if err != nil || len(hash) != merkle.HashSize {
			return seal.Checkpoint{}, fmt.Errorf("read path: hash %d is not 32 bytes in base64url", i)
		}
		copy(path[i][:], hash)
	}
	leaf := merkle.LeafHash(salt, []byte(proof.GetEntry()))
	return head, merkle.VerifyInclusion(path, head.Size, head.Root, entry.Number, leaf)
}
