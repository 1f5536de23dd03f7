package casework

import (
	"context"
	"encoding/base64"
	"errors"
	"fmt"
	"strconv"
	"strings"

	"ponderal.example/internal/authn"
	"ponderal.example/internal/fault"
	"ponderal.example/internal/merkle"
	"ponderal.example/internal/record"
	"ponderal.example/internal/seal"
	"ponderal.example/internal/store"
)

// Cosignature is a witness's word on a size of a log. Witness is the name on its key.
type Cosignature struct {
	Size    int64
	Witness string
	At      record.Time
	Line    string
}

// CosignatureList is a page of cosignatures, newest first.
type CosignatureList struct {
	Items []Cosignature
	Next  string
}

// ListCosignatures returns what witnesses said of a clinic's log, for whoever may follow it. A log without entries has none, and is not told apart from
// one that is not there.
func (c *Casework) ListCosignatures(ctx context.Context, p authn.Principal, page record.Page) (CosignatureList, error) {
	limit, err := sizeOf(page)
	if err != nil {
		return CosignatureList{}, err
	}
	size, witness, err := cosignatureCursor(page.Cursor)
	if err != nil {
		return CosignatureList{}, err
	}
	var out CosignatureList
	err = c.follow(ctx, p, func(ctx context.Context, tx *store.Tx, _ string) error {
		head, _, err := tx.Head(ctx)
		if err == nil && head == 0 {
			err = notInLog(nil)
		}
		if err != nil {
			return err
		}
		rows, err := tx.ListCosignatures(ctx, size, witness, limit+1)
		if err != nil {
			return err
		}
		out, err = cosignaturePage(rows, limit)
		return err
	})
	if err != nil {
		return CosignatureList{}, fmt.Errorf("list cosignatures: %w", err)
	}
	return out, nil
}

func cosignaturePage(rows []store.CosignatureRow, limit int) (CosignatureList, error) {
	var out CosignatureList
	if len(rows) > limit {
		rows = rows[:limit]
		last := rows[limit-1]
		out.Next = base64.RawURLEncoding.EncodeToString(fmt.Appendf(nil, "%d %s", last.Size, last.Witness))
	}
	for _, row := range rows {
		name, at, err := seal.ReadCosignature(row.Line)
		if err != nil {
			return CosignatureList{}, fault.Wrap(fault.Internal, "LOG_DAMAGED", "a stored cosignature cannot be read; run the audit check", err)
		}
		out.Items = append(out.Items, Cosignature{Size: row.Size, Witness: name, At: record.TimeOf(at), Line: row.Line})
	}
	return out, nil
}

// cosignatureCursor reads a place in the list: the size and the witness's key of the last one before.
func cosignatureCursor(cursor string) (size int64, witness string, err error) {
	if cursor == "" {
		return 0, "", nil
	}
	raw, err := base64.RawURLEncoding.DecodeString(cursor)
	number, witness, _ := strings.Cut(string(raw), " ")
	if err == nil {
		size, err = strconv.ParseInt(number, 10, 64)
	}
	if err == nil {
		_, err = seal.ParseWitness(witness)
	}
	if err != nil || size < 1 || strconv.FormatInt(size, 10) != number {
		return 0, "", badCursor()
	}
	return size, witness, nil
}

// Witnessing is what the worker that asks witnesses does with the logs; it is the service's own work, and no caller's.
type Witnessing struct{ c *Casework }

// Witnessing gives the logs to the worker that asks witnesses.
func (c *Casework) Witnessing() Witnessing { return Witnessing{c} }

// Logs lists the clinics that have a log, the network's own included.
func (w Witnessing) Logs(ctx context.Context) ([]string, error) {
	return w.c.store.ListClinicIDs(ctx)
}

// Head returns the checkpoint of a clinic's log as it stands, signed and stored now if it was not, and the largest size that the witness has
// cosigned. A log without entries has size 0.
func (w Witnessing) Head(ctx context.Context, clinic string, by seal.Witness) (note string, size, cosigned int64, err error) {
	err = w.c.store.InClinic(ctx, clinic, func(tx *store.Tx) error {
		note, size, cosigned = "", 0, 0
		head, _, err := tx.Head(ctx)
		if err != nil || head == 0 {
			return err
		}
		if cosigned, err = tx.NewestCosigned(ctx, by.String()); err != nil {
			return err
		}
		note, size, err = w.c.log.SignedHead(ctx, tx, clinic)
		return err
	})
	if fault.Is(err, fault.NotFound) {
		return "", 0, 0, nil
	}
	if err != nil {
		return "", 0, 0, fmt.Errorf("read head to be witnessed: %w", err)
	}
	return note, size, cosigned, nil
}

// Proof proves that the log of a size begins with that of an older one.
func (w Witnessing) Proof(ctx context.Context, clinic string, oldSize, size int64) (path []merkle.Hash, err error) {
	err = w.c.store.ReadClinic(ctx, clinic, func(tx *store.Tx) error {
		proof, err := w.c.log.ProveConsistency(ctx, tx, clinic, oldSize, size)
		path = proof.Path
		return err
	})
	if err != nil {
		return nil, fmt.Errorf("prove log to a witness: %w", err)
	}
	return path, nil
}

var errNotCosigned = errors.New("the cosignature is not of the stored checkpoint")

// Keep stores a cosignature of a size, if it verifies with the witness's key against the checkpoint that is stored.
func (w Witnessing) Keep(ctx context.Context, clinic string, size int64, by seal.Witness, line string) error {
	err := w.c.store.InClinic(ctx, clinic, func(tx *store.Tx) error {
		proof, err := w.c.log.ProveConsistency(ctx, tx, clinic, size, size)
		if err != nil {
			return err
		}
		head := seal.Checkpoint{Origin: w.c.log.Origin(clinic), Size: size, Root: proof.New.Root}
		if _, err := seal.VerifyCosignature(by, head, line); err != nil {
			return fault.Wrap(fault.Precondition, "COSIGNATURE", "the witness's answer is no cosignature of the log; nothing was stored",
				errors.Join(errNotCosigned, err))
		}
		return tx.SaveCosignature(ctx, size, by.String(), line)
	})
	if err != nil {
		return fmt.Errorf("keep cosignature: %w", err)
	}
	return nil
}
