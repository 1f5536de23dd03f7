package gateway

import (
	"compress/gzip"
	"errors"
	"io"
	"net/http"
	"strings"

	"ponderal.example/internal/fault"
)

// unpack makes a compressed body readable (RFC 9110, section 8.4: gzip, or its old name x-gzip). What it unpacks to counts against the limit of a body,
// so that a small body cannot become a large one.
func unpack(r *http.Request) *refusal {
	switch coding := strings.ToLower(strings.TrimSpace(r.Header.Get("Content-Encoding"))); coding {
	case "", "identity":
		return nil
	case "gzip", "x-gzip":
		r.Body = &unpacking{packed: r.Body}
		r.ContentLength = -1
		return nil
	}
	return &refusal{http.StatusUnsupportedMediaType, fault.New(fault.Invalid, "CONTENT_ENCODING", "a body is sent as it is or compressed with gzip")}
}

// unpacking begins to unpack at the first read, so that a request whose body nobody reads costs nothing.
type unpacking struct {
	packed io.ReadCloser
	plain  *gzip.Reader
}

// Read unpacks.
func (u *unpacking) Read(p []byte) (int, error) {
	if u.plain == nil {
		plain, err := gzip.NewReader(u.packed)
		if err != nil {
			return 0, notGzip(err)
		}
		u.plain = plain
	}
	n, err := u.plain.Read(p)
	return n, notGzip(err)
}

// notGzip keeps the ends that have a meaning of their own; everything else is a body that breaks off.
func notGzip(err error) error {
	if err == nil || errors.Is(err, io.EOF) && !errors.Is(err, io.ErrUnexpectedEOF) {
		return err
	}
	return errors.Join(errors.New("the body is not whole gzip"), err)
}

// Close closes the connection's side.
func (u *unpacking) Close() error { return u.packed.Close() }
