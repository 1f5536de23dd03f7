package gateway

import (
	"context"
	"net/http"

	"google.golang.org/genproto/googleapis/api/httpbody"
	"google.golang.org/protobuf/proto"
)

// How long answers may be kept (RFC 9111, RFC 8246): tiles of hashes never change, and so are the only thing that may be kept at all. A cache that
// several share may keep them only where everybody may read them.
const (
	keepForOneself = "private, max-age=31536000, immutable"
	keepForAll     = "public, max-age=31536000, immutable"
)

// cache says so of a good answer that is a tile; a signed head, which is text, is as little to be stored as everything else.
func (g *Gateway) cache(_ context.Context, w http.ResponseWriter, m proto.Message) error {
	body, ok := m.(*httpbody.HttpBody)
	if !ok || body.GetContentType() != "application/octet-stream" {
		return nil
	}
	if g.options.PublicLogs {
		w.Header().Set("Cache-Control", keepForAll)
		return nil
	}
	w.Header().Set("Cache-Control", keepForOneself)
	w.Header().Set("Vary", "Authorization")
	return nil
}
