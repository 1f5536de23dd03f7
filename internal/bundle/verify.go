package bundle

import (
	"bytes"
	"errors"
	"fmt"
	"slices"
	"strings"
	"time"

	"ponderal.example/internal/canon"
	"ponderal.example/internal/engine/score"
	"ponderal.example/internal/merkle"
	"ponderal.example/internal/record"
	"ponderal.example/internal/seal"
)

// ErrNotVerified: a bundle that must not be relied on. The report says which step it failed.
var ErrNotVerified = errors.New("bundle: not verified")

// clockSlack is how far the time of a signature and that of the entry that recorded it may be apart.
const clockSlack = 10 * time.Minute

// State is what became of a step.
type State string

// The states. A step is skipped when one before it failed; withheld where it rests on raw trials that were not released with the result, so that
// it neither holds nor fails.
const (
	StepOK       State = "ok"
	StepFailed   State = "failed"
	StepSkipped  State = "skipped"
	StepWithheld State = "withheld"
)

// Step is one thing that was checked.
type Step struct {
	// Name is a stable code, such as "inclusion".
	Name string
	// Says what holds when the step is ok.
	Says  string
	State State
	// Why it failed or was withheld; empty otherwise.
	Why string
	// Remark is what the reader should know although the step is ok; empty where there is nothing.
	Remark string
}

// Report is what verification found. Document, Entry and the rest are to be believed only when OK is true.
type Report struct {
	OK bool
	// Rerun: the engine was run again, on raw trials that the signed result holds or commits to. Without them a result is OK by its signature and
	// its place in the log alone, and Document lacks what record.Enclosed has.
	Rerun    bool
	Steps    []Step
	Document record.ResultDocument
	Entry    record.Entry
	// KeyID is the result key that signed; LogKeyIDs are the log keys that signed the checkpoint.
	KeyID     string
	LogKeyIDs []string
	// Origin, Size and Root are those of the checkpoint.
	Origin string
	Size   int64
	Root   [32]byte
	// Countersignatures are the second signatures that verified.
	Countersignatures []record.CountersignatureDocument
}

// checker carries what one step leaves for the next.
type checker struct {
	ring    seal.Ring
	bundle  Bundle
	logName string
	payload []byte
	// whole: the report's document has its raw trials.
	whole bool
	// remark is that of the step at work.
	remark string
	report Report
}

// step is a check with the words for it.
type step struct {
	name, says string
	check      func(*checker) error
}

func steps() []step {
	return []step{
		{"signature", "the result is signed by a published result key", (*checker).signature},
		{"document", "the signed document is complete and of a known form", (*checker).document},
		{"statement", "what the document says of itself agrees", (*checker).statement},
		{"entry", "the audit entry names exactly this signed result", (*checker).entry},
		{"signer", "the entry was made by the one who signed", (*checker).signer},
		{"checkpoint", "the head of the clinic's audit log is signed by a published log key", (*checker).checkpoint},
		{"inclusion", "the entry stands in that log (RFC 6962)", (*checker).inclusion},
		{"keys", "no key that signed was compromised when it did, by what the key set says", (*checker).keys},
		{"countersignatures", "every countersignature is another reviewer's, over exactly this result", (*checker).countersignatures},
		{"protocols", "every protocol has the digest by which the series name it", (*checker).protocols},
		{"enclosed", "the raw trials are those that the signed result commits to", (*checker).enclosed},
		{"engine", "the engine's rules are of a version that this program knows", (*checker).engine},
		{"finding", "the engine, run again on the enclosed trials, gives the same finding", (*checker).finding},
	}
}

// Verify checks a bundle with the published keys and nothing else. logName, when not empty, is the only log name that is believed.
// The error is nil exactly when the report is OK, otherwise ErrNotVerified naming the step.
func Verify(ring seal.Ring, b Bundle, logName string) (Report, error) {
	c := &checker{ring: ring, bundle: b, logName: logName}
	var failed error
	for _, s := range steps() {
		done := Step{Name: s.name, Says: s.says, State: StepSkipped}
		c.remark = ""
		if failed == nil {
			done.State = StepOK
			err := s.check(c)
			switch {
			case errors.Is(err, errWithheld):
				done.State, done.Why = StepWithheld, err.Error()
			case err != nil:
				done.State, done.Why = StepFailed, err.Error()
				failed = fmt.Errorf("%w: %s: %w", ErrNotVerified, s.name, err)
			}
		}
		done.Remark = c.remark
		c.report.Steps = append(c.report.Steps, done)
	}
	c.report.OK = failed == nil
	c.report.Rerun = c.report.OK && c.whole
	return c.report, failed
}

func (c *checker) signature() error {
	payload, kid, err := seal.VerifyJWS(c.ring, c.bundle.JWS)
	if err != nil {
		return err
	}
	c.payload, c.report.KeyID = payload, kid
	return nil
}

func (c *checker) document() error {
	doc, err := Parse(c.payload)
	if err != nil {
		return err
	}
	c.report.Document = doc
	return nil
}

// statement checks that the parts of the document that could contradict each other do not.
func (c *checker) statement() error {
	doc := c.report.Document
	person, err := PersonOf(doc.Client, doc.Session.StartedAt)
	clinic := doc.Clinic.ID
	switch {
	case doc.ID == "" || clinic == "":
		return errors.New("the result or its clinic has no id")
	case doc.Session.ClinicID != clinic || doc.Client.ClinicID != clinic || doc.Referral.ClinicID != clinic:
		return errors.New("session, client and referral are not all of the clinic")
	case doc.Job != nil && doc.Job.ClinicID != clinic:
		return errors.New("the job profile is not of the clinic")
	case doc.Session.ReferralID != doc.Referral.ID || doc.Referral.ClientID != doc.Client.ID:
		return errors.New("session, referral and client do not name each other")
	case err != nil || person != doc.Person:
		return errors.New("the age or sex used is not the client's on the day of the session")
	case doc.Finding.SessionID != doc.Session.ID || doc.Finding.SessionRevision != doc.SessionRevision:
		return errors.New("the finding is of another session or revision")
	case (doc.Supersedes == "") != (doc.SupersedeReason == ""):
		return errors.New("a result that replaces another says which and why")
	case doc.Supersedes == doc.ID:
		return errors.New("the result replaces itself")
	case len(doc.Cautions) == 0:
		return errors.New("the cautions are missing")
	}
	if err := c.kits(); err != nil {
		return err
	}
	return c.decision()
}

// kits checks that the kits which the series name are enclosed, each once, by id, and no other. A finding by rules that look at none has none.
func (c *checker) kits() error {
	doc := c.report.Document
	named := make(map[string]bool, len(doc.Kits))
	if KitsMatter(doc.Finding.Engine) {
		for _, s := range doc.Session.Series {
			if s.KitID != "" {
				named[s.KitID] = true
			}
		}
	}
	for i, k := range doc.Kits {
		switch {
		case k.ClinicID != doc.Clinic.ID:
			return errors.New("a kit is not of the clinic")
		case i > 0 && doc.Kits[i-1].ID >= k.ID:
			return errors.New("the kits are not each once in order")
		case !named[k.ID]:
			return errors.New("a kit is enclosed that no series names, or that the finding does not rest on")
		}
	}
	if len(named) != len(doc.Kits) {
		return errors.New("a series names a kit that is not enclosed")
	}
	return nil
}

// decision checks the reviewer's decision against the recommendation.
func (c *checker) decision() error {
	doc := c.report.Document
	if doc.Finding.Job == nil {
		if doc.Decision != "" {
			return errors.New("a decision without a target job")
		}
		return nil
	}
	switch {
	case doc.Decision == "":
		return errors.New("a target job without a decision")
	case doc.Decision != doc.Finding.Job.Outcome && doc.Comment == "":
		return errors.New("a decision other than the recommendation, without a comment")
	case !doc.Finding.Complete && doc.Decision != record.CannotBeDetermined:
		return errors.New("a decision on a session that is not complete")
	}
	return nil
}

// entry checks that the audit entry commits to the signed text.
func (c *checker) entry() error {
	var e record.Entry
	if err := strict(c.bundle.Entry, &e); err != nil {
		return err
	}
	doc := c.report.Document
	action := record.ActionResultSign
	if doc.Supersedes != "" {
		action = record.ActionResultSupersede
	}
	switch {
	case e.ClinicID != doc.Clinic.ID:
		return errors.New("the entry is of another clinic")
	case e.Action != action:
		return errors.New("the entry is of another action")
	}
	want := record.Written{
		Kind: record.KindResult, ID: doc.ID, Revision: 1,
		Digest: canon.DigestBase64url(canon.Digest(c.bundle.Salt, []byte(c.bundle.JWS))),
	}
	named := slices.ContainsFunc(e.Records, func(w record.Written) bool {
		return w.Kind == want.Kind && w.ID == want.ID && w.Revision == want.Revision && w.Digest == want.Digest
	})
	if !named {
		return errors.New("the entry does not name this signed result with its digest")
	}
	c.report.Entry = e
	return nil
}

func (c *checker) signer() error {
	sig, e := c.report.Document.Signature, c.report.Entry
	apart := e.At.Std().Sub(sig.At.Std()).Abs()
	switch {
	case sig.MemberID == "" || e.Actor.MemberID != sig.MemberID:
		return errors.New("the entry was made by someone else")
	case e.Actor.Role != sig.Role || sig.Role != record.RoleReviewer:
		return errors.New("the one who signed did not act as reviewer")
	case sig.Meaning != record.MeaningReviewed && sig.Meaning != record.MeaningTestedAndReviewed:
		return errors.New("the signature has no known meaning")
	case sig.Meaning == record.MeaningTestedAndReviewed && sig.MemberID != c.report.Document.Session.EvaluatorID:
		return errors.New("signed as tested by one who did not test")
	case apart > clockSlack:
		return errors.New("the time of the signature is not that at which it was recorded")
	}
	return nil
}

func (c *checker) checkpoint() error {
	origin, _, _ := strings.Cut(c.bundle.Checkpoint, "\n")
	name, ok := strings.CutSuffix(origin, "/"+c.report.Document.Clinic.ID)
	switch {
	case !ok || name == "":
		return errors.New("the checkpoint is not of this clinic's log")
	case c.logName != "" && name != c.logName:
		return errors.New("the checkpoint is of another network's log")
	}
	head, err := seal.VerifyCheckpoint(c.ring, origin, c.bundle.Checkpoint)
	if err != nil {
		return err
	}
	if len(head.Witnesses) > 0 {
		return errors.New("the checkpoint carries signatures by keys that are not in the key set")
	}
	c.report.Origin, c.report.Size, c.report.Root = head.Origin, head.Size, head.Root
	c.report.LogKeyIDs = head.KeyIDs
	return nil
}

func (c *checker) inclusion() error {
	leaf := merkle.LeafHash(c.bundle.Salt, c.bundle.Entry)
	return merkle.VerifyInclusion(c.bundle.Path, c.report.Size, c.report.Root, c.report.Entry.Number, leaf)
}

func (c *checker) protocols() error {
	doc := c.report.Document
	used := make(map[string]bool, len(doc.Protocols))
	for _, s := range doc.Session.Series {
		used[s.ProtocolDigest] = true
	}
	for i, p := range doc.Protocols {
		digest, _, err := ProtocolDigest(p.Protocol)
		switch {
		case err != nil || digest != p.Digest:
			return errors.New("a protocol does not have the digest that it is enclosed under")
		case i > 0 && doc.Protocols[i-1].Digest >= p.Digest:
			return errors.New("the protocols are not each once in order")
		case !used[digest]:
			return errors.New("a protocol is enclosed that no series names")
		}
	}
	if len(used) != len(doc.Protocols) {
		return errors.New("a series names a protocol that is not enclosed")
	}
	return nil
}

func (c *checker) engine() error {
	if !c.whole {
		return errWithheld
	}
	if v := c.report.Document.Finding.Engine; !score.Known(v) {
		return fmt.Errorf("the finding was made by rules of version %q; this program knows versions %s", v, strings.Join(score.Versions(), ", "))
	}
	return nil
}

func (c *checker) finding() error {
	if !c.whole {
		return errWithheld
	}
	again, err := Rerun(c.report.Document)
	if err != nil {
		return fmt.Errorf("run the engine again: %w", err)
	}
	got, err := canon.Marshal(again)
	if err != nil {
		return fmt.Errorf("run the engine again: %w", err)
	}
	want, err := canon.Marshal(c.report.Document.Finding)
	if err != nil {
		return fmt.Errorf("read the finding: %w", err)
	}
	if !bytes.Equal(got, want) {
		return fmt.Errorf("the engine finds otherwise%s", firstDifference(want, got))
	}
	return nil
}

// firstDifference names where two findings part.
func firstDifference(want, got []byte) string {
	diff, err := canon.Diff(want, got)
	if err != nil || len(diff) == 0 {
		return ""
	}
	return fmt.Sprintf(" at %s and %d more places", diff[0].Path, len(diff)-1)
}
