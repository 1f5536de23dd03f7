package casework

import (
	"context"
	"slices"

	"ponderal.example/internal/auditlog"
	"ponderal.example/internal/bundle"
	"ponderal.example/internal/engine/score"
	"ponderal.example/internal/fault"
	"ponderal.example/internal/record"
	"ponderal.example/internal/store"
)

// ground is what a session stands on: the records that it refers to, as they are now; the kits as they were when the session was first stored,
// because a kit that is weighed anew later says nothing of what was lifted then.
type ground struct {
	referral  record.Referral
	client    record.Client
	person    record.Person
	protocols map[string]record.Protocol
	kits      map[string]record.Kit
	job       *record.JobProfile
	jobRev    int
}

// keysOf names what a session refers to.
func keysOf(s record.Session) store.PushKeys {
	k := store.PushKeys{SessionID: s.ID, ReferralID: s.ReferralID, EvaluatorID: s.EvaluatorID, OverrideID: s.Screening.OverrideBy}
	for i := range s.Series {
		if d := s.Series[i].ProtocolDigest; !slices.Contains(k.Digests, d) {
			k.Digests = append(k.Digests, d)
		}
		if id := s.Series[i].KitID; id != "" && !slices.Contains(k.KitIDs, id) {
			k.KitIDs = append(k.KitIDs, id)
		}
	}
	return k
}

// groundOf reads what a push fetched. What is missing is a violation, under the session's path.
func groundOf(known store.PushContext, s record.Session) (ground, []fault.Violation, error) {
	g := ground{protocols: make(map[string]record.Protocol, len(known.Protocols)), kits: make(map[string]record.Kit, len(known.Kits))}
	for digest, row := range known.Protocols {
		p, err := read[record.Protocol](record.KindProtocol, row.Body)
		if err != nil {
			return g, nil, err
		}
		g.protocols[digest] = p
	}
	for id, row := range known.Kits {
		k, err := read[record.Kit](record.KindKit, row.Body)
		if err != nil {
			return g, nil, err
		}
		g.kits[id] = k
	}
	if known.Referral == nil {
		return g, []fault.Violation{{Field: "session.referral_id", Rule: "referral.exists", Text: "the referral is one of the clinic's"}}, nil
	}
	if err := g.people(known); err != nil {
		return g, nil, err
	}
	person, err := bundle.PersonOf(g.client, s.StartedAt)
	if err != nil {
		return g, []fault.Violation{{Field: "session.started_at", Rule: "session.client_age", Text: "the client was born before the session, at most 120 years"}}, nil
	}
	g.person = person
	return g, nil, nil
}

// people reads the referral with its client and job.
func (g *ground) people(known store.PushContext) error {
	var err error
	if g.referral, err = read[record.Referral](record.KindReferral, known.Referral.Body); err != nil {
		return err
	}
	if known.Client == nil || (known.Job == nil) != (g.referral.JobProfileID == "") {
		return fault.New(fault.Internal, "STORED_RECORD", "a stored referral names a record that is not there")
	}
	if g.client, err = read[record.Client](record.KindClient, known.Client.Body); err != nil {
		return err
	}
	if known.Job != nil {
		job, err := read[record.JobProfile](record.KindJobProfile, known.Job.Body)
		if err != nil {
			return err
		}
		g.job, g.jobRev = &job, known.Job.Revision
	}
	return nil
}

// score runs the engine by its newest rules; the body is the finding's canonical form.
func (g *ground) score(s record.Session, revision int) (record.Finding, []byte, error) {
	f, err := score.Score(score.Input{
		Rules: score.Version, Session: s, SessionRevision: revision, Person: g.person, Protocols: g.protocols, Kits: g.kits,
		Job: g.job, JobRevision: g.jobRev,
	})
	if err != nil {
		return record.Finding{}, nil, err
	}
	body, err := record.CanonicalFinding(f)
	if err != nil {
		return record.Finding{}, nil, textFault(err)
	}
	return f, body, nil
}

// standing is a session as it stands, whole, with what it stands on and its clinic's log taken.
type standing struct {
	head    auditlog.Head
	row     store.Row
	session record.Session
	ground  ground
	trials  []store.TrialRow
	// override is the member who was asked for; nil when the clinic has none of that id.
	override *store.Row
}

// standingOf reads a session's newest revision under the head. What it refers to is what its first revision named, for no correction changes that;
// overrideBy is a further member to be looked up, or empty.
func standingOf(ctx context.Context, tx *store.Tx, id, overrideBy string) (standing, error) {
	first, err := tx.At(ctx, record.KindSession, id, 1)
	if err != nil {
		return standing{}, err
	}
	header, err := read[record.Session](record.KindSession, first.Body)
	if err != nil {
		return standing{}, err
	}
	keys := keysOf(header)
	keys.OverrideID = overrideBy
	known, err := tx.PushContextAt(ctx, keys, first.Entry)
	if err != nil {
		return standing{}, err
	}
	if known.Session == nil {
		return standing{}, fault.New(fault.Internal, "STORED_RECORD", "a stored session is not there any more")
	}
	s := standing{head: auditlog.Head{Size: known.HeadSize, Edge: known.HeadEdge}, row: *known.Session, override: known.Override}
	if s.trials, err = tx.Trials(ctx, id, s.row.Revision); err != nil {
		return standing{}, err
	}
	if s.session, err = assemble(s.row.Body, s.trials); err != nil {
		return standing{}, err
	}
	var missing []fault.Violation
	if s.ground, missing, err = groundOf(known, s.session); err != nil {
		return standing{}, err
	}
	if len(missing) > 0 {
		return standing{}, &fault.Error{Kind: fault.Precondition, Reason: "SESSION_GROUND", Violations: missing,
			Text: "a record that the session stands on does not fit it any more; put it right first"}
	}
	return s, nil
}
