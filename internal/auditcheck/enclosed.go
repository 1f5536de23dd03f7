package auditcheck

import (
	"ponderal.example/internal/canon"
	"ponderal.example/internal/store"
)

// enclosedColumns compares the raw trials that a result keeps beside its signed text with the digest in that text: no entry has one of them.
func enclosedColumns(payload []byte, r store.ResultScan) string {
	v, ok := membersOf(payload, "enclosed_digest")
	there := r.Enclosed != nil || r.EnclosedSalt != nil
	switch {
	case !ok:
		return unreadable
	case v.get("enclosed_digest") == nil && there:
		return "raw trials are stored beside a signed content that has them inside"
	case v.get("enclosed_digest") == nil:
		return ""
	case r.Enclosed == nil || r.EnclosedSalt == nil:
		return "the raw trials that its signed content commits to, or their salt, are not there"
	case !v.is("enclosed_digest", canon.DigestBase64url(canon.Digest(r.EnclosedSalt, r.Enclosed))):
		return "the raw trials, or their salt, are not those that its signed content commits to"
	}
	return ""
}
