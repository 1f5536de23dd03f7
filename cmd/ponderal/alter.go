package main

import (
	"context"

	"ponderal.example/internal/demo"
	"ponderal.example/internal/localpg"
)

// any number of rows.
const anyRows = -1

// alterBehind changes one stored trial and one audit entry as a superuser, with the triggers that refuse it off: what an attacker with
// the database's own rights could do.
func alterBehind(ctx context.Context, superURL string, at demo.Target) error {
	return localpg.Exec(ctx, superURL,
		localpg.Statement{SQL: `SET LOCAL session_replication_role = replica`, Rows: anyRows},
		localpg.Statement{Rows: 1, Args: []any{at.ClinicID, at.SessionID, at.Series, at.Trial},
			SQL: `UPDATE ponderal.trial SET body = regexp_replace(body, '"repetitions":(\d)', '"repetitions":1\1')
			WHERE clinic_id = $1::uuid AND session_id = $2::uuid AND series_number = $3 AND trial_number = $4 AND revision = 1`},
		localpg.Statement{Rows: 1, Args: []any{at.ClinicID, int64(at.Entry)},
			SQL: `UPDATE ponderal.audit_entry SET content = replace(content, '"role":"clinic_admin"', '"role":"reviewer"')
			WHERE clinic_id = $1::uuid AND number = $2 AND content LIKE '%"role":"clinic_admin"%'`},
	)
}
