package auditcheck

import (
	"encoding/base64"
	"fmt"
	"math/rand/v2"
	"slices"
	"strings"

	"ponderal.example/internal/merkle"
	"ponderal.example/internal/seal"
)

// kindsOfChange are all that a trial may do.
func kindsOfChange() []kindOfChange {
	return []kindOfChange{
		{"a body edited", func(x *trials, r *rand.Rand) change { return x.column(r, oneOf(r, recordTables), "body", "") }},
		{"a column beside the body edited", besideBody},
		{"an entry's filter column edited", func(x *trials, r *rand.Rand) change {
			return x.column(r, "audit_entry", oneOf(r, []string{"at", "action", "subjects"}), "")
		}},
		{"an entry's content edited", func(x *trials, r *rand.Rand) change { return x.column(r, "audit_entry", "content", "") }},
		{"an entry's salt edited", func(x *trials, r *rand.Rand) change { return x.column(r, "audit_entry", "salt", "") }},
		{"an entry's stored nodes edited", func(x *trials, r *rand.Rand) change { return x.column(r, "audit_entry", "nodes", "") }},
		{"an entry's number edited", func(x *trials, r *rand.Rand) change { return x.column(r, "audit_entry", "number", "") }},
		{"a record's entry number edited", func(x *trials, r *rand.Rand) change { return x.column(r, oneOf(r, recordTables), "entry_number", "") }},
		{"a record moved to another clinic", movedRecord},
		{"a record taken out", func(x *trials, r *rand.Rand) change { return x.takenOut(r, oneOf(r, recordTables), "") }},
		{"an entry taken out", func(x *trials, r *rand.Rand) change { return x.takenOut(r, "audit_entry", "") }},
		{"a head or a needed checkpoint taken out", headOrNote},
		{"a record put in", putIn},
		{"an entry put in", entryPutIn},
		{"two records' bodies swapped", swappedBodies},
		{"two entries swapped", swappedEntries},
		{"the head rewound", rewound},
		{"the head's edge edited", func(x *trials, r *rand.Rand) change { return x.column(r, "audit_head", "edge", "length(edge) > 0") }},
		{"an old checkpoint replayed", replayed},
		{"a checkpoint of another tree, really signed", otherTree},
		{"a result's proof edited", func(x *trials, r *rand.Rand) change { return x.column(r, "result", "path", "length(path) > 0") }},
		{"a result's raw trials edited or taken out", enclosedTouched},
		{"a reference to a key edited", keyReference},
		{"a feed number or counter edited", feedNumbers},
		{"newest entries cut, head kept", cutHeadKept},
		{"newest entries cut, records kept", cutRecordsKept},
		{"newest entries cut, all else made to match", cutWhole},
		{"a tree forked and signed anew, really", forked},
	}
}

func (x *trials) column(r *rand.Rand, table, column, where string) change {
	x.t.Helper()
	return x.alter(x.pick(r, table, where), column, x.expression(r, table, column))
}

func besideBody(x *trials, r *rand.Rand) change {
	list := [][2]string{{"session", "referral_id"}, {"session", "revision"}, {"session", "id"}, {"trial", "series_number"}, {"trial", "trial_number"},
		{"trial", "revision"}, {"trial", "session_id"}, {"finding", "revision"}, {"finding", "id"}, {"result", "id"}, {"result", "session_id"},
		{"result", "session_revision"}, {"result", "supersedes"}, {"result", "revision"}, {"feed_item", "payer_id"}, {"feed_item", "result_id"},
		{"token", "id"}, {"token_revocation", "id"}, {"release", "revision"}, {"protocol", "revision"}, {"member", "id"}, {"checkpoint", "size"},
		{"checkpoint", "entry_number"}}
	one := list[r.IntN(len(list))]
	return x.column(r, one[0], one[1], "")
}

// enclosedTouched changes the raw trials beside a result's signed text, or their salt, or takes both out.
func enclosedTouched(x *trials, r *rand.Rand) change {
	if r.IntN(3) == 0 {
		return x.alter(x.pick(r, "result", ""), "enclosed", "NULL, enclosed_salt = NULL")
	}
	return x.column(r, "result", oneOf(r, []string{"enclosed", "enclosed_salt"}), "")
}

func movedRecord(x *trials, r *rand.Rand) change {
	p := x.pick(r, oneOf(r, recordTables), "")
	to := east
	if p.clinic == east {
		to = west
	}
	// A row of the same key may stand there already: the forger makes room.
	x.exec("ALTER TABLE ponderal." + p.table + " DROP CONSTRAINT IF EXISTS " + p.table + "_pkey CASCADE")
	return x.alter(p, "clinic_id", "'"+to+"'::uuid")
}

func (x *trials) takenOut(r *rand.Rand, table, where string) change {
	x.t.Helper()
	p := x.pick(r, table, where)
	x.exec("DELETE FROM ponderal."+table+" WHERE ctid = $1::text::tid", p.at)
	return change{what: p.String() + " deleted", touched: []string{table}, named: func(rep Report) bool { return namedGone(rep, table, p.clinic, p.gone) }}
}

func headOrNote(x *trials, r *rand.Rand) change {
	if r.IntN(2) == 0 {
		return x.takenOut(r, "audit_head", "size > 0")
	}
	return x.takenOut(r, "checkpoint", "EXISTS (SELECT FROM ponderal.result r WHERE r.clinic_id = t.clinic_id AND r.entry_number = t.entry_number)")
}

func putIn(x *trials, r *rand.Rand) change {
	p := x.pick(r, oneOf(r, recordTables), "")
	set := fmt.Sprintf("revision = %d", 9+r.IntN(90))
	switch p.table {
	case "trial":
		set = fmt.Sprintf("trial_number = %d", 9+r.IntN(90))
	case "result":
		set = fmt.Sprintf("id = '018fffff-0000-7000-8000-0000000000%d'", 10+r.IntN(90))
	case "feed_item":
		set = fmt.Sprintf("number = %d", 99+r.IntN(90))
	}
	x.exec("CREATE TEMP TABLE forged AS SELECT * FROM ponderal."+p.table+" WHERE ctid = $1::text::tid", p.at)
	key := x.ask("UPDATE forged SET " + set + " RETURNING " + tables[p.table].key)[0]
	x.exec("INSERT INTO ponderal." + p.table + " SELECT * FROM forged")
	x.exec("DROP TABLE forged")
	return change{what: fmt.Sprintf("%v copied with %s", p, set), touched: []string{p.table}, named: func(rep Report) bool {
		return names(rep, p.clinic, tables[p.table].kind, key)
	}}
}

// entryPutIn adds an entry after the newest, a copy of an older one.
func entryPutIn(x *trials, r *rand.Rand) change {
	p := x.pick(r, "audit_entry", "")
	size := x.size(p.clinic)
	x.exec("INSERT INTO ponderal.audit_entry SELECT clinic_id, $2::bigint, at, action, subjects, content, salt, nodes FROM ponderal.audit_entry WHERE ctid = $1::text::tid",
		p.at, size)
	return change{what: fmt.Sprintf("%v put in again as %d", p, size), touched: []string{"audit_entry"}, named: func(rep Report) bool {
		return names(rep, p.clinic, tableEntry, fmt.Sprint(size)) && names(rep, p.clinic, tableHead, "")
	}}
}

func swappedBodies(x *trials, r *rand.Rand) change {
	table := oneOf(r, recordTables)
	one := x.pick(r, table, "")
	two := x.pick(r, table, fmt.Sprintf("body <> (SELECT body FROM ponderal.%s WHERE ctid = '%s'::tid)", table, one.at))
	x.exec("UPDATE ponderal."+table+" a SET body = b.body FROM ponderal."+table+" b WHERE (a.ctid, b.ctid) IN (($1::text::tid, $2::text::tid), ($2::text::tid, $1::text::tid))",
		one.at, two.at)
	return change{what: fmt.Sprintf("bodies of %v and %v swapped", one, two), touched: []string{table}, named: func(rep Report) bool {
		return one.namedIn(rep) && two.namedIn(rep)
	}}
}

func swappedEntries(x *trials, r *rand.Rand) change {
	one := x.pick(r, "audit_entry", "")
	two := x.pick(r, "audit_entry", fmt.Sprintf("clinic_id = '%s' AND number <> %s", one.clinic, one.key))
	x.exec("UPDATE ponderal.audit_entry SET number = -1 - number WHERE clinic_id = $1 AND number::text IN ($2, $3)", one.clinic, one.key, two.key)
	x.exec("UPDATE ponderal.audit_entry SET number = CASE -1 - number WHEN $2::text::bigint THEN $3::text::bigint ELSE $2::text::bigint END WHERE clinic_id = $1 AND number < 0",
		one.clinic, one.key, two.key)
	return change{what: fmt.Sprintf("%v swapped with %s", one, two.key), touched: []string{"audit_entry"}, named: func(rep Report) bool {
		return names(rep, one.clinic, tableEntry, one.key) && names(rep, one.clinic, tableEntry, two.key)
	}}
}

func rewound(x *trials, r *rand.Rand) change {
	clinic := oneOf(r, []string{east, west})
	to := r.Int64N(x.size(clinic))
	x.setBack(clinic, to)
	return change{what: fmt.Sprintf("head of %s set back to %d", clinic, to), touched: []string{"audit_head"}, named: func(rep Report) bool {
		return names(rep, clinic, tableHead, "")
	}}
}

func replayed(x *trials, r *rand.Rand) change {
	p := x.pick(r, "checkpoint", "size > (SELECT min(size) FROM ponderal.checkpoint m WHERE m.clinic_id = t.clinic_id)")
	x.exec(`UPDATE ponderal.checkpoint t SET note = (SELECT note FROM ponderal.checkpoint o WHERE o.clinic_id = t.clinic_id AND o.size < t.size
		ORDER BY o.size DESC LIMIT 1) WHERE ctid = $1::text::tid`, p.at)
	return change{what: fmt.Sprintf("%v replaced by an older one", p), touched: []string{"checkpoint"}, named: p.namedIn}
}

// otherTree signs, with the real key, another root in the place of a checkpoint.
func otherTree(x *trials, r *rand.Rand) change {
	p := x.pick(r, "checkpoint", "")
	var root merkle.Hash
	for i := range root {
		root[i] = byte(r.IntN(256))
	}
	x.resign(p.clinic, p.key, root)
	return change{what: fmt.Sprintf("%v signed anew for another tree", p), touched: []string{"checkpoint"}, named: p.namedIn}
}

func (x *trials) resign(clinic, key string, root merkle.Hash) {
	x.t.Helper()
	var size int64
	if _, err := fmt.Sscanf(key, "of size %d", &size); err != nil {
		x.t.Fatal(err)
	}
	note := must(seal.SignCheckpoint(x.t.Context(), x.logKey, logName+"/"+clinic, size, root))(x.t)
	x.exec("UPDATE ponderal.checkpoint SET note = $3 WHERE clinic_id = $1 AND size = $2", clinic, size, note)
}

// keyReference changes which key a signature says that it is by: the kid of a signed result, or the key of a checkpoint.
func keyReference(x *trials, r *rand.Rand) change {
	if r.IntN(2) == 0 {
		p := x.pick(r, "checkpoint", "")
		note := x.ask("SELECT note FROM ponderal.checkpoint WHERE ctid = $1::text::tid", p.at)[0]
		text, signature, _ := strings.Cut(note, "\n\n")
		at := strings.LastIndex(signature, " ") + 1
		blob, err := base64.StdEncoding.DecodeString(strings.TrimSpace(signature[at:]))
		if err != nil {
			x.t.Fatal(err)
		}
		blob[r.IntN(4)] ^= byte(1 + r.IntN(255)) // the first four bytes are the key's hash
		forged := text + "\n\n" + signature[:at] + base64.StdEncoding.EncodeToString(blob) + "\n"
		return x.alter(p, "note", quote(forged))
	}
	p := x.pick(r, "result", "")
	jws := x.ask("SELECT body FROM ponderal.result WHERE ctid = $1::text::tid", p.at)[0]
	header, rest, _ := strings.Cut(jws, ".")
	plain, err := base64.RawURLEncoding.DecodeString(header)
	if err != nil {
		x.t.Fatal(err)
	}
	at := strings.Index(string(plain), `"kid":"`) + len(`"kid":"`)
	other := byte('A')
	if plain[at] == other {
		other = 'B'
	}
	plain[at] = other
	return x.alter(p, "body", quote(base64.RawURLEncoding.EncodeToString(plain)+"."+rest))
}

func quote(text string) string { return "'" + strings.ReplaceAll(text, "'", "''") + "'" }

func feedNumbers(x *trials, r *rand.Rand) change {
	if r.IntN(2) == 0 {
		by := oneOf(r, []string{"+ 1", "- 1", "+ 7"})
		x.exec("UPDATE ponderal.feed_head SET size = size " + by)
		return change{what: "a feed's counter " + by, touched: []string{"feed_head"}, named: func(rep Report) bool {
			return slices.ContainsFunc(rep.Problems, func(p Problem) bool { return p.Table == tableFeedHead })
		}}
	}
	return x.column(r, "feed_item", "number", "")
}

// cutPoint is a clinic and a size to which its log is cut.
func (x *trials) cutPoint(r *rand.Rand) (string, int64) {
	clinic := oneOf(r, []string{east, west})
	size := x.size(clinic)
	return clinic, size - 1 - r.Int64N(size/2)
}

func cutHeadKept(x *trials, r *rand.Rand) change {
	clinic, to := x.cutPoint(r)
	size := x.size(clinic)
	x.cut(clinic, to)
	x.restore([]string{"audit_head"})
	return change{what: fmt.Sprintf("log of %s cut to %d", clinic, to), touched: x.tables, named: func(rep Report) bool {
		return names(rep, clinic, tableEntry, span(to, size))
	}}
}

func cutRecordsKept(x *trials, r *rand.Rand) change {
	clinic, to := x.cutPoint(r)
	x.exec("DELETE FROM ponderal.audit_entry WHERE clinic_id = $1 AND number >= $2", clinic, to)
	x.setBack(clinic, to)
	wrote := x.ask("SELECT 1::text FROM ponderal.audit_entry WHERE false")
	for _, table := range append([]string{"checkpoint"}, recordTables...) {
		wrote = append(wrote, x.ask("SELECT 1::text FROM ponderal."+table+" WHERE clinic_id = $1 AND entry_number >= $2", clinic, to)...)
	}
	c := change{what: fmt.Sprintf("entries of %s from %d on deleted, head set back", clinic, to), touched: []string{"audit_entry", "audit_head"},
		named: func(rep Report) bool { return concerns(rep, clinic, to) }}
	if len(wrote) == 0 {
		// Reads wrote no record that would be left over.
		c.named, c.outside = func(rep Report) bool {
			return names(rep, clinic, tableKnown, fmt.Sprintf("of size %d", x.keptSize(clinic)))
		}, x.held(clinic)
	}
	return c
}

// held is the checkpoint of the whole log, as a payer holds it that asked for one.
func (x *trials) held(clinic string) string {
	x.t.Helper()
	var edge merkle.Edge
	for _, node := range x.ask("SELECT encode(substr(nodes, 1, 32), 'hex') FROM kept.audit_entry WHERE clinic_id = $1 ORDER BY number", clinic) {
		must(edge.Append(merkle.Hash(unhex(x.t, node))))(x.t)
	}
	return must(seal.SignCheckpoint(x.t.Context(), x.logKey, logName+"/"+clinic, edge.Size(), edge.Root()))(x.t)
}

func (x *trials) keptSize(clinic string) int64 {
	var n int64
	if err := x.super.QueryRow(x.ctx, "SELECT size FROM kept.audit_head WHERE clinic_id = $1", clinic).Scan(&n); err != nil {
		x.t.Fatal(err)
	}
	return n
}

// cutWhole leaves a log that is whole, only shorter.
func cutWhole(x *trials, r *rand.Rand) change {
	clinic, to := x.cutPoint(r)
	x.cut(clinic, to)
	x.exec("UPDATE ponderal.feed_head h SET size = (SELECT count(*) FROM ponderal.feed_item f WHERE f.payer_id = h.payer_id)")
	x.exec("DELETE FROM ponderal.feed_head WHERE size = 0")
	size := x.keptSize(clinic)
	return change{what: fmt.Sprintf("log of %s cut to %d, heads and feeds too", clinic, to), touched: x.tables, outside: x.held(clinic),
		named: func(rep Report) bool { return names(rep, clinic, tableKnown, fmt.Sprintf("of size %d", size)) }}
}

// forked alters an entry and computes and signs everything after it anew, with the key that really signs: no one inside can tell.
func forked(x *trials, r *rand.Rand) change {
	p := x.pick(r, "audit_entry", "clinic_id IN ('"+east+"', '"+west+"')")
	x.exec(`UPDATE ponderal.audit_entry SET content = replace(content, '"app":"test"', '"app":"tess"') WHERE ctid = $1::text::tid`, p.at)
	x.recompute(p.clinic)
	size := x.keptSize(p.clinic)
	return change{what: fmt.Sprintf("%v altered, all after it computed and signed anew", p), touched: []string{"audit_entry", "audit_head", "checkpoint", "result"},
		outside: x.held(p.clinic), named: func(rep Report) bool { return names(rep, p.clinic, tableKnown, fmt.Sprintf("of size %d", size)) }}
}

func (x *trials) recompute(clinic string) {
	x.t.Helper()
	signed := x.ask("SELECT size::text FROM ponderal.checkpoint WHERE clinic_id = $1", clinic)
	var edge merkle.Edge
	for n := range x.size(clinic) {
		var content string
		var salt []byte
		if err := x.super.QueryRow(x.ctx, "SELECT content, salt FROM ponderal.audit_entry WHERE clinic_id = $1 AND number = $2", clinic, n).Scan(&content, &salt); err != nil {
			x.t.Fatal(err)
		}
		before := edge.Clone()
		nodes := must(edge.Append(merkle.LeafHash(salt, []byte(content))))(x.t)
		x.exec("UPDATE ponderal.audit_entry SET nodes = $3 WHERE clinic_id = $1 AND number = $2", clinic, n, merkle.JoinNodes(nodes))
		x.exec("UPDATE ponderal.result SET path = $3 WHERE clinic_id = $1 AND entry_number = $2", clinic, n, merkle.JoinNodes(merkle.LastLeafProof(before)))
		if slices.Contains(signed, fmt.Sprint(n+1)) {
			x.resign(clinic, fmt.Sprintf("of size %d", n+1), edge.Root())
		}
	}
	x.exec("UPDATE ponderal.audit_head SET edge = $2 WHERE clinic_id = $1", clinic, must(edge.MarshalBinary())(x.t))
}
