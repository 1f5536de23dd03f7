package casework

import (
	"bytes"
	"cmp"
	"context"
	"encoding/json"
	"slices"
	"strconv"
	"strings"

	"ponderal.example/internal/bundle"
	"ponderal.example/internal/fault"
	"ponderal.example/internal/record"
	"ponderal.example/internal/store"
)

// document makes the result document of a session as it stands. The finding in it is the stored one, and the engine run again on what the
// document encloses gives it; where the client's data or the engine's rules have changed since, nothing is signed.
func (c *Casework) document(ctx context.Context, tx *store.Tx, in Signing, s *standing, signer record.Member) (record.ResultDocument, error) {
	row, err := tx.At(ctx, record.KindFinding, in.SessionID, s.row.Revision)
	if err != nil {
		return record.ResultDocument{}, err
	}
	finding, err := read[record.Finding](record.KindFinding, row.Body)
	if err != nil {
		return record.ResultDocument{}, err
	}
	g := s.ground
	if g.job, g.jobRev, err = jobOf(ctx, tx, finding); err != nil {
		return record.ResultDocument{}, err
	}
	_, again, err := g.score(s.session, s.row.Revision)
	if err != nil {
		return record.ResultDocument{}, err
	}
	if !bytes.Equal(again, row.Body) {
		return record.ResultDocument{}, fault.New(fault.Precondition, "FINDING_OUT_OF_DATE",
			"a record that the score rests on (client, referral, job profile) or the engine's rules have changed since the session was scored, and the finding would now differ; nothing was signed: have the session scored again (RescoreSession), look at it, then sign")
	}
	clinic, err := clinicRecord(ctx, tx, s.session.ClinicID)
	if err != nil {
		return record.ResultDocument{}, err
	}
	corrections, err := correctionsOf(ctx, tx, in.SessionID)
	if err != nil {
		return record.ResultDocument{}, err
	}
	kits, err := namedKits(s.session, g.kits, finding.Engine)
	if err != nil {
		return record.ResultDocument{}, err
	}
	return record.ResultDocument{
		Format: record.ResultFormat, ID: in.ResultID,
		Clinic: record.ResultClinic{ID: clinic.ID, Name: clinic.Name},
		Client: g.client, Person: g.person, Referral: g.referral,
		Session: s.session, SessionRevision: s.row.Revision, Corrections: corrections,
		Protocols: namedProtocols(s.session, g.protocols), Kits: kits, Job: g.job, JobRevision: g.jobRev,
		Finding: finding, Decision: in.Decision, Comment: in.Comment,
		Signature: record.Signature{MemberID: signer.ID, Name: signer.Name, Credential: signer.Credential, Role: record.RoleReviewer,
			At: record.TimeOf(c.now()), Meaning: in.Meaning},
		Supersedes: in.Supersedes, SupersedeReason: in.SupersedeReason, Cautions: cautions(),
		CountersignatureNeeded: clinic.IndependentReview && signer.ID == s.session.EvaluatorID,
	}, nil
}

// jobOf is the job profile in the revision that a finding was matched with; nil when it was with none.
func jobOf(ctx context.Context, tx *store.Tx, f record.Finding) (*record.JobProfile, int, error) {
	if f.Job == nil {
		return nil, 0, nil
	}
	row, err := tx.At(ctx, record.KindJobProfile, f.Job.JobProfileID, f.Job.JobProfileRevision)
	if err != nil {
		return nil, 0, err
	}
	job, err := read[record.JobProfile](record.KindJobProfile, row.Body)
	return &job, row.Revision, err
}

func clinicRecord(ctx context.Context, tx *store.Tx, id string) (record.Clinic, error) {
	row, err := tx.Newest(ctx, record.KindClinic, id)
	if err != nil {
		return record.Clinic{}, err
	}
	return read[record.Clinic](record.KindClinic, row.Body)
}

// namedProtocols are the protocols that a session's series name, each once, by digest.
func namedProtocols(s record.Session, protocols map[string]record.Protocol) []record.NamedProtocol {
	out := []record.NamedProtocol{}
	seen := make(map[string]bool, len(protocols))
	for i := range s.Series {
		digest := s.Series[i].ProtocolDigest
		if !seen[digest] {
			out = append(out, record.NamedProtocol{Digest: digest, Protocol: protocols[digest]})
		}
		seen[digest] = true
	}
	slices.SortFunc(out, func(a, b record.NamedProtocol) int { return cmp.Compare(a.Digest, b.Digest) })
	return out
}

// namedKits are the kits that a session's series name, each once, by id; none under rules that do not look at them.
func namedKits(s record.Session, kits map[string]record.Kit, rules string) ([]record.Kit, error) {
	if !bundle.KitsMatter(rules) {
		return nil, nil
	}
	var out []record.Kit
	for _, id := range keysOf(s).KitIDs {
		kit, ok := kits[id]
		if !ok {
			return nil, fault.New(fault.Internal, "STORED_RECORD", "a stored session names a kit that was not there")
		}
		out = append(out, kit)
	}
	slices.SortFunc(out, func(a, b record.Kit) int { return cmp.Compare(a.ID, b.ID) })
	return out, nil
}

// correctionsOf reads from the log which parts of a session were corrected, by whom and why.
func correctionsOf(ctx context.Context, tx *store.Tx, sessionID string) ([]record.Correction, error) {
	rows, err := tx.EntriesOfSession(ctx, sessionID)
	if err != nil {
		return nil, err
	}
	var out []record.Correction
	who := names{tx: tx}
	for _, row := range rows {
		if row.Action != record.ActionTrialCorrect && row.Action != record.ActionSessionCorrect {
			continue
		}
		e, err := entryOf(row)
		if err != nil {
			return nil, err
		}
		made := record.Correction{Revision: writtenRevision(e, record.KindSession, sessionID), At: e.At, Reason: e.Reason}
		if made.By, err = who.of(ctx, e.Actor); err != nil {
			return nil, err
		}
		if row.Action == record.ActionTrialCorrect {
			made.Series, made.Trial = correctedTrial(e, sessionID)
		} else {
			made.Part, made.Series = correctedPart(e, sessionID)
		}
		out = append(out, made)
	}
	return out, nil
}

// entryOf decodes a stored entry. Of one that was erased only its columns are left.
func entryOf(row store.EntryRow) (record.Entry, error) {
	var e record.Entry
	if row.Content == nil && row.ErasedBy > 0 {
		return erasedEntry(row), nil
	}
	if err := json.Unmarshal(row.Content, &e); err != nil {
		return record.Entry{}, fault.New(fault.Internal, "STORED_ENTRY", "a stored audit entry cannot be read; run the audit check")
	}
	return e, nil
}

// correctedTrial finds which trial of the session an entry corrected, by its subjects; 0, 0 when none.
func correctedTrial(e record.Entry, sessionID string) (series, trial int) {
	for _, s := range e.Subjects {
		rest, ok := strings.CutPrefix(s, subject(record.KindTrial, sessionID+"/"))
		if !ok {
			continue
		}
		a, b, _ := strings.Cut(rest, "/")
		series, _ = strconv.Atoi(a)
		trial, _ = strconv.Atoi(b)
	}
	return series, trial
}

// correctedPart finds which part of the session an entry corrected, by its subjects, with the number of its series; empty when none.
func correctedPart(e record.Entry, sessionID string) (name string, series int) {
	for _, s := range e.Subjects {
		if rest, ok := strings.CutPrefix(s, subject(partWord, sessionID+"/")); ok {
			var number string
			name, number, _ = strings.Cut(rest, "/")
			series, _ = strconv.Atoi(number)
		}
	}
	return name, series
}

// writtenRevision is the revision of a record that an entry wrote; 0 when it wrote none.
func writtenRevision(e record.Entry, kind, id string) int {
	for _, w := range e.Records {
		if w.Kind == kind && w.ID == id {
			return w.Revision
		}
	}
	return 0
}
