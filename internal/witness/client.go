package witness

import (
	"bytes"
	"context"
	"encoding/base64"
	"errors"
	"fmt"
	"io"
	"mime"
	"net/http"
	"strconv"
	"strings"
	"time"

	"ponderal.example/internal/merkle"
	"ponderal.example/internal/seal"
)

const (
	// askWithin is how long a witness may take for an answer, connection included.
	askWithin = 15 * time.Second
	// maxAnswer is the longest answer that is read, in bytes: some dozens of cosignatures.
	maxAnswer = 16 << 10
	// maxProof is how many hashes the protocol allows in a proof.
	maxProof = 63
	// maxAhead is how far a witness's clock may be ahead of ours.
	maxAhead = 10 * time.Minute
	// sizeType is the content type of an answer that says a size.
	sizeType = "text/x.tlog.size"
)

// What a witness may answer beside a cosignature.
var (
	// ErrUnknownLog: it does not know the log (404); whoever runs it must be asked to.
	ErrUnknownLog = errors.New("the witness does not know this log (404): its operator has to add the log's origin and key")
	// ErrRefusedKey: it does not trust the log's key (403).
	ErrRefusedKey = errors.New("the witness does not trust this log or the key that signed its checkpoint (403): its operator has to be given the log's verifier key")
	// ErrRefusedProof: the proof does not fit what it has seen (422), or the same size has another root (409 with that very size): the log that
	// it was shown before is not the one that it is shown now.
	ErrRefusedProof = errors.New("the witness has seen another log of this name: what it cosigned before is not the beginning of what it was shown now")
	// ErrAnswer: an answer that the protocol does not have.
	ErrAnswer = errors.New("the witness's answer is not one of the protocol")
	// ErrCosignature: an answer without a cosignature by the witness's key over the checkpoint that was sent.
	ErrCosignature = errors.New("the witness's answer has no cosignature of its key over this checkpoint")
)

// OtherSizeError is the witness's word that the largest head that it cosigned has another size than it was told (409).
type OtherSizeError struct{ Size int64 }

func (e *OtherSizeError) Error() string {
	return fmt.Sprintf("the witness last cosigned the size %d", e.Size)
}

// Client talks to one witness. Safe for concurrent use.
type Client struct {
	target Target
	http   *http.Client
	now    func() time.Time
}

// NewClient makes a client. transport carries the requests; nil means a usual one that goes through no proxy and keeps few connections.
func NewClient(t Target, transport http.RoundTripper, now func() time.Time) *Client {
	if transport == nil {
		transport = &http.Transport{
			MaxIdleConns: 4, MaxIdleConnsPerHost: 2, MaxConnsPerHost: 4, IdleConnTimeout: 90 * time.Second, TLSHandshakeTimeout: askWithin,
			MaxResponseHeaderBytes: maxAnswer, ForceAttemptHTTP2: true,
		}
	}
	return &Client{target: t, now: now, http: &http.Client{
		Transport: transport, Timeout: askWithin,
		// A witness is who was named, not whom that one names.
		CheckRedirect: func(*http.Request, []*http.Request) error { return http.ErrUseLastResponse },
	}}
}

// Target is the witness.
func (c *Client) Target() Target { return c.target }

// Close lets go of idle connections.
func (c *Client) Close() { c.http.CloseIdleConnections() }

// AddCheckpoint sends a checkpoint with the proof that its log begins with that of oldSize, which the witness last cosigned (0 for none, without
// proof), and returns the witness's cosignature, verified. head is what signed, the note, says. Errors: *OtherSizeError and those above.
func (c *Client) AddCheckpoint(ctx context.Context, oldSize int64, path []merkle.Hash, head seal.Checkpoint, signed string) (seal.Cosignature, error) {
	if oldSize < 0 || oldSize > head.Size || len(path) > maxProof || oldSize == 0 && len(path) > 0 {
		return seal.Cosignature{}, fmt.Errorf("ask witness %s: %w", c.target.Key.Name(), merkle.ErrRange)
	}
	status, contentType, answer, err := c.post(ctx, requestOf(oldSize, path, signed))
	if err == nil {
		var cosignature seal.Cosignature
		if cosignature, err = c.read(status, contentType, answer, oldSize, head); err == nil {
			return cosignature, nil
		}
	}
	return seal.Cosignature{}, fmt.Errorf("ask witness %s: %w", c.target.Key.Name(), err)
}

// requestOf is the body of add-checkpoint: the old size, the proof, an empty line, the checkpoint.
func requestOf(oldSize int64, path []merkle.Hash, signed string) []byte {
	b := fmt.Appendf(nil, "old %d\n", oldSize)
	for _, h := range path {
		b = append(base64.StdEncoding.AppendEncode(b, h[:]), '\n')
	}
	return append(append(b, '\n'), signed...)
}

func (c *Client) post(ctx context.Context, body []byte) (status int, contentType string, answer []byte, err error) {
	req, err := http.NewRequestWithContext(ctx, http.MethodPost, c.target.URL.JoinPath("add-checkpoint").String(), bytes.NewReader(body))
	if err != nil {
		return 0, "", nil, fmt.Errorf("make request: %w", err)
	}
	req.Header.Set("Content-Type", "text/plain; charset=utf-8")
	req.Header.Set("User-Agent", "ponderal")
	resp, err := c.http.Do(req)
	if err != nil {
		return 0, "", nil, fmt.Errorf("send checkpoint: %w", err)
	}
	defer resp.Body.Close()
	answer, err = io.ReadAll(io.LimitReader(resp.Body, maxAnswer+1))
	if err != nil {
		return 0, "", nil, fmt.Errorf("read answer: %w", err)
	}
	if len(answer) > maxAnswer {
		return 0, "", nil, fmt.Errorf("read answer longer than %d bytes: %w", maxAnswer, ErrAnswer)
	}
	return resp.StatusCode, resp.Header.Get("Content-Type"), answer, nil
}

// read sorts the answers of the protocol.
func (c *Client) read(status int, contentType string, answer []byte, oldSize int64, head seal.Checkpoint) (seal.Cosignature, error) {
	switch status {
	case http.StatusOK:
		return c.cosignature(string(answer), head)
	case http.StatusConflict:
		return seal.Cosignature{}, conflict(contentType, answer, oldSize, oldSize == head.Size)
	case http.StatusNotFound:
		return seal.Cosignature{}, ErrUnknownLog
	case http.StatusForbidden:
		return seal.Cosignature{}, ErrRefusedKey
	case http.StatusUnprocessableEntity:
		return seal.Cosignature{}, ErrRefusedProof
	}
	return seal.Cosignature{}, fmt.Errorf("status %d: %w", status, ErrAnswer)
}

// conflict reads the size that a witness last cosigned. Where the sizes that it was sent are equal, the protocol's 409 may mean that the root is
// another: that is, when it names the size that it was told, or none.
func conflict(contentType string, answer []byte, told int64, equal bool) error {
	media, _, err := mime.ParseMediaType(contentType)
	text := strings.TrimSuffix(string(answer), "\n")
	size, parseErr := strconv.ParseInt(text, 10, 64)
	named := err == nil && media == sizeType && parseErr == nil && size >= 0 && strconv.FormatInt(size, 10) == text
	switch {
	case named && size != told:
		return &OtherSizeError{Size: size}
	case equal && (named || media != sizeType):
		return ErrRefusedProof
	}
	return fmt.Errorf("status 409 without another size: %w", ErrAnswer)
}

// cosignature finds the witness's own among the lines of an answer. Those of other keys are passed over, as the protocol has it.
func (c *Client) cosignature(answer string, head seal.Checkpoint) (seal.Cosignature, error) {
	for l := range strings.SplitAfterSeq(answer, "\n") {
		got, err := seal.VerifyCosignature(c.target.Key, head, l)
		switch {
		case l == "" || errors.Is(err, seal.ErrUnknownKey):
			continue
		case err != nil:
			return seal.Cosignature{}, fmt.Errorf("%w: %w", ErrCosignature, err)
		case got.At.After(c.now().Add(maxAhead)):
			return seal.Cosignature{}, fmt.Errorf("%w: it is dated %s, which is yet to come", ErrCosignature, got.At.Format(time.RFC3339))
		}
		return got, nil
	}
	return seal.Cosignature{}, ErrCosignature
}
