// Package auditcheck rebuilds every clinic's audit log from what is stored, and names each row that is not what the log recorded.
//
// It only reads. It finds any single row that was altered, put in or taken out behind the service's back, and a log that was cut or
// rewritten, as far as a signed checkpoint reaches. Two things it cannot find by itself:
//
//   - The newest entries taken out together with their rows, their checkpoints, and the heads of log and feeds set back to match, leave
//     a log that is whole, only shorter. A checkpoint kept elsewhere shows it: see Options.Known.
//   - A checkpoint that was signed on demand and then taken out: none of the rows needs it, and it can be signed again.
//
// The counters of payers' feeds are compared with the items only where every log is checked, since a feed has items of many clinics.
//
// Memory is bounded: rows are read in the order of their entries and merged, never held for a whole clinic.
package auditcheck

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"strings"

	"ponderal.example/internal/fault"
	"ponderal.example/internal/seal"
	"ponderal.example/internal/store"
)

// DefaultMaxProblems is how many problems a report lists when Options do not say: more are counted only.
const DefaultMaxProblems = 1000

// Options for Run.
type Options struct {
	Store *store.Store
	// Ring is the published key set; LogName the first part of every log's origin, `LogName/CLINIC`.
	Ring    seal.Ring
	LogName string
	// Progress is told how far the check is, at the start and end of each log and every few hundred entries; nil tells nobody.
	Progress func(Progress)
	// Clinics to check; empty means every log, the network's own included.
	Clinics []string
	// Known are signed checkpoints that were kept outside the database. Each must be of a log that is checked, and what it signed must still
	// be there.
	Known []string
	// Witnesses are the keys of the witnesses that are believed. Every stored cosignature is compared with the log; whose it is, only these say.
	Witnesses []seal.Witness
	// From are marks of an earlier check that was interrupted: each log goes on from its own. What stands before a mark is not read again, only
	// that its tree is still the same; where it is not, Run returns ErrMark.
	From []Mark
	// Save is given a mark every few hundred entries and at the end of each log in which nothing was found; nil saves none. Its error ends the check.
	Save func(Mark) error
	// MaxProblems bounds the list of problems; 0 means DefaultMaxProblems.
	MaxProblems int
}

// Progress says how far a check is.
type Progress struct {
	Clinic string
	// Log is the number of the log being checked, from 1, of Logs.
	Log, Logs int
	// Entries of this log that are checked, now or before the mark that the check went on from, of the Total that its head says it has.
	Entries, Total int64
}

// Run checks the logs. The error says that the check could not be carried out; what it found wrong stands in the report.
func Run(ctx context.Context, o Options) (Report, error) {
	if o.Store == nil || o.LogName == "" {
		return Report{}, fault.New(fault.Internal, "CHECK_OPTIONS", "the audit check needs a store and the name of the log")
	}
	clinics := o.Clinics
	if len(clinics) == 0 {
		var err error
		if clinics, err = o.Store.ListClinicIDs(ctx); err != nil {
			return Report{}, fmt.Errorf("check audit logs: %w", err)
		}
	}
	for _, m := range o.From {
		if len(o.Clinics) == 0 && !slices.Contains(clinics, m.Clinic) {
			return Report{}, fmt.Errorf("check audit log of clinic %s, which is not there: %w", m.Clinic, ErrMark)
		}
	}
	before, err := o.feedHeads(ctx)
	if err != nil {
		return Report{}, err
	}
	report := Report{max: o.MaxProblems, fed: map[string]int64{}}
	if report.max <= 0 {
		report.max = DefaultMaxProblems
	}
	known := o.readKnown(&report, clinics)
	for i, clinic := range clinics {
		done, err := o.one(ctx, clinic, known[clinic], Progress{Clinic: clinic, Log: i + 1, Logs: len(clinics)}, report.max-len(report.Problems))
		if err != nil {
			return Report{}, fmt.Errorf("check audit log of clinic %s: %w", clinic, err)
		}
		report.join(done)
	}
	if len(o.Clinics) > 0 {
		// A feed has items of every clinic.
		return report, nil
	}
	after, err := o.feedHeads(ctx)
	if err != nil {
		return Report{}, err
	}
	report.checkHeads(before, after)
	return report, nil
}

// one checks one clinic's log in one snapshot.
func (o Options) one(ctx context.Context, clinic string, known []seal.Checkpoint, p Progress, room int) (Report, error) {
	var done Report
	var from Mark
	if i := slices.IndexFunc(o.From, func(m Mark) bool { return m.Clinic == clinic }); i >= 0 {
		from = o.From[i]
	}
	err := o.Store.ReadClinic(ctx, clinic, func(tx *store.Tx) error {
		c := &check{
			clinic: clinic, origin: o.LogName + "/" + clinic, ring: o.Ring, known: known, progress: o.Progress, at: p, from: from, save: o.Save,
			report: Report{max: max(room, 0), Logs: 1, fed: map[string]int64{}}, cosigned: cosigned{believed: o.Witnesses},
		}
		err := c.run(ctx, tx)
		done = c.report
		return err
	})
	return done, err
}

// readKnown verifies the checkpoints from outside and sorts them by clinic.
func (o Options) readKnown(report *Report, clinics []string) map[string][]seal.Checkpoint {
	known := make(map[string][]seal.Checkpoint, len(o.Known))
	for i, text := range o.Known {
		origin, _, _ := strings.Cut(text, "\n")
		clinic, ours := strings.CutPrefix(origin, o.LogName+"/")
		key := fmt.Sprintf("number %d", i+1)
		if !ours {
			report.add(Problem{Table: tableKnown, Key: key, Entry: NoEntry, What: "it is not a checkpoint of a log of this name"})
			continue
		}
		c, err := seal.VerifyCheckpoint(o.Ring, origin, text)
		switch {
		case errors.Is(err, seal.ErrMalformed):
			report.add(Problem{Clinic: clinic, Table: tableKnown, Key: key, Entry: NoEntry, What: "it is not one checkpoint as the service hands it out"})
		case err != nil:
			report.add(Problem{Clinic: clinic, Table: tableKnown, Key: key, Entry: NoEntry, What: "its signature does not verify under the key set"})
		case !slices.Contains(clinics, clinic):
			if len(o.Clinics) == 0 {
				report.add(Problem{Clinic: clinic, Table: tableKnown, Key: key, Entry: NoEntry, What: "the log that it signed is gone"})
			}
		default:
			known[clinic] = append(known[clinic], c)
		}
	}
	return known
}
