package casework

import (
	"cmp"
	"context"
	"slices"
	"strconv"
	"strings"
	"time"

	"ponderal.example/internal/record"
	"ponderal.example/internal/store"
)

// CorrectionRate is how often an evaluator's sessions were corrected after a signature: of the sessions that were signed in the period, those with at least
// one correction of a result signed in it, made then or later.
type CorrectionRate struct {
	ClinicID      string
	EvaluatorID   string
	EvaluatorName string
	Signed        int
	Corrected     int
	Corrections   int
	// Percent is Corrected of Signed with one decimal; empty where none was signed.
	Percent string
}

// rates counts for every evaluator of the clinic, those without a signed session too, by name.
func (c *Casework) rates(ctx context.Context, tx *store.Tx, clinic string, since, until time.Time) ([]CorrectionRate, error) {
	rows, err := tx.LateRates(ctx, since, until)
	if err != nil {
		return nil, err
	}
	evaluators, err := evaluatorsOf(ctx, tx)
	if err != nil {
		return nil, err
	}
	var out []CorrectionRate
	for _, row := range rows {
		out = append(out, CorrectionRate{ClinicID: clinic, EvaluatorID: row.EvaluatorID, EvaluatorName: evaluators[row.EvaluatorID].Name,
			Signed: row.Signed, Corrected: row.Corrected, Corrections: row.Corrections, Percent: percent(row.Corrected, row.Signed)})
	}
	for id, m := range evaluators {
		counted := slices.ContainsFunc(rows, func(r store.LateRate) bool { return r.EvaluatorID == id })
		if !counted && !m.Left && slices.Contains(m.Roles, record.RoleEvaluator) {
			out = append(out, CorrectionRate{ClinicID: clinic, EvaluatorID: id, EvaluatorName: m.Name})
		}
	}
	slices.SortFunc(out, func(a, b CorrectionRate) int {
		return cmp.Or(cmp.Compare(a.EvaluatorName, b.EvaluatorName), cmp.Compare(a.EvaluatorID, b.EvaluatorID))
	})
	return out, nil
}

// evaluatorsOf are the members of the clinic by id.
func evaluatorsOf(ctx context.Context, tx *store.Tx) (map[string]record.Member, error) {
	all := make(map[string]record.Member)
	after := ""
	for {
		rows, err := tx.ListNewest(ctx, record.KindMember, after, largestPage)
		if err != nil {
			return nil, err
		}
		for _, row := range rows {
			m, err := read[record.Member](record.KindMember, row.Body)
			if err != nil {
				return nil, err
			}
			all[row.ID] = m
			after = row.ID
		}
		if len(rows) < largestPage {
			return all, nil
		}
	}
}

// percent is part of whole in percent with one decimal, a half rounded to the even digit; empty of nothing.
func percent(part, whole int) string {
	if whole == 0 {
		return ""
	}
	tenths, rest := part*1000/whole, part*1000%whole
	if 2*rest > whole || 2*rest == whole && tenths%2 == 1 {
		tenths++
	}
	return strconv.Itoa(tenths/10) + "." + strconv.Itoa(tenths%10)
}

// parseLatePlace reads a place that was written for the same search.
func parseLatePlace(cursor, tie string) (latePlace, error) {
	parts := strings.Split(cursor, ".")
	if len(parts) != 8 {
		return latePlace{}, badCursor()
	}
	var numbers [5]int64
	for i, at := range []int{1, 3, 4, 5, 6} {
		n, err := strconv.ParseInt(parts[at], 10, 64)
		if err != nil {
			return latePlace{}, badCursor()
		}
		numbers[i] = n
	}
	if idCursor(record.KindClinic, parts[2]) != nil || parts[2] == "" {
		return latePlace{}, badCursor()
	}
	moment := func(n int64) time.Time { return time.UnixMicro(n).UTC() }
	l := latePlace{clinic: parts[2], key: store.LateKey{At: moment(numbers[0]), Number: numbers[1]}, asOf: moment(numbers[2]), since: moment(numbers[3])}
	if numbers[4] != 0 {
		l.until = moment(numbers[4])
	}
	if l.cursor(tie) != cursor || l.key.Number < 0 || l.key.At.After(l.asOf) || l.key.At.Year() < 1 || l.asOf.Year() > 9999 || l.since.Year() < 1 ||
		l.since.Year() > 9999 || l.until.Year() > 9999 {
		return latePlace{}, badCursor()
	}
	return l, nil
}
