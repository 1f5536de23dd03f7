package canon

import (
	"errors"
	"fmt"
	"strconv"
	"unicode/utf8"
)

// MaxInt is the largest integer that Writer writes, and its negative the
// smallest: the range in which every reader of JSON agrees (RFC 7493, 2.2).
const MaxInt = 1<<53 - 1

var (
	// ErrOrder: a member name that does not follow the one before it.
	ErrOrder = errors.New("canon: member out of order")
	// ErrShape: a call where the document has no place for it.
	ErrShape = errors.New("canon: call out of place")
)

// Writer writes one canonical document directly, for paths where
// encoding/json and Transform cost too much. The caller supplies members in
// RFC 8785 order; the writer checks. The first error sticks and Bytes reports it.
// The zero Writer is ready. It is not for concurrent use.
type Writer struct {
	buf   []byte
	stack []frame
	done  bool
	err   error
}

// frame is one open array or object.
type frame struct {
	object bool
	filled bool   // has at least one element or member
	keyed  bool   // object: a name was written, its value is due
	last   string // object: the name written last
}

// NewWriter returns a Writer that appends to buf[:0], so that a caller may
// reuse one buffer.
func NewWriter(buf []byte) *Writer { return &Writer{buf: buf[:0]} }

// Reset readies w for another document in the same buffer. What Bytes returned
// before is overwritten.
func (w *Writer) Reset() {
	*w = Writer{buf: w.buf[:0], stack: w.stack[:0]}
}

// Bytes returns the finished document, which shares w's buffer, or the first
// error. A document that is not complete is ErrShape.
func (w *Writer) Bytes() ([]byte, error) {
	if w.err != nil {
		return nil, w.err
	}
	if !w.done {
		return nil, fmt.Errorf("%w: document not finished", ErrShape)
	}
	return w.buf, nil
}

// BeginObject opens an object; its members follow as Key and a value.
func (w *Writer) BeginObject() { w.open('{', true) }

// EndObject closes the innermost object.
func (w *Writer) EndObject() { w.shut('}', true) }

// BeginArray opens an array; its elements follow as values.
func (w *Writer) BeginArray() { w.open('[', false) }

// EndArray closes the innermost array.
func (w *Writer) EndArray() { w.shut(']', false) }

// Key writes a member's name. It must come after the one before it in the order
// of UTF-16 code units, or the document is ErrOrder.
func (w *Writer) Key(name string) {
	if w.err != nil {
		return
	}
	top := w.top()
	if top == nil || !top.object || top.keyed {
		w.fail(ErrShape)
		return
	}
	if top.filled {
		if compareUTF16(top.last, name) >= 0 {
			w.fail(fmt.Errorf("%w: %q after %q", ErrOrder, name, top.last))
			return
		}
		w.buf = append(w.buf, ',')
	}
	top.filled, top.keyed, top.last = true, true, name
	w.quote(name)
	w.buf = append(w.buf, ':')
}

// String writes a string. Text that is not UTF-8 is ErrMalformed.
func (w *Writer) String(s string) {
	if w.place() {
		w.quote(s)
		w.finish()
	}
}

// Int writes an integer between -MaxInt and MaxInt, otherwise ErrInexact.
func (w *Writer) Int(n int64) {
	if n > MaxInt || n < -MaxInt {
		w.fail(ErrInexact)
		return
	}
	if w.place() {
		w.buf = strconv.AppendInt(w.buf, n, 10)
		w.finish()
	}
}

// Bool writes true or false.
func (w *Writer) Bool(b bool) {
	if w.place() {
		w.buf = strconv.AppendBool(w.buf, b)
		w.finish()
	}
}

// Null writes null.
func (w *Writer) Null() {
	if w.place() {
		w.buf = append(w.buf, "null"...)
		w.finish()
	}
}

// Raw writes a value that is already canonical, otherwise ErrNotCanonical.
func (w *Writer) Raw(value []byte) {
	if !w.place() {
		return
	}
	if !isCanonical(value, len(w.stack)) && !w.rawSlow(value) {
		w.fail(ErrNotCanonical)
		return
	}
	w.buf = append(w.buf, value...)
	w.finish()
}

// rawSlow judges what the fast scan declined, such as escaped member names. It
// refuses what would nest too deep where it stands.
func (w *Writer) rawSlow(value []byte) bool {
	return IsCanonical(value) && len(w.stack)+depthOf(value) <= MaxDepth
}

// StringField, IntField and BoolField write a member in one call.
func (w *Writer) StringField(name, value string) {
	w.Key(name)
	w.String(value)
}

// IntField writes a member whose value is an integer, as Int does.
func (w *Writer) IntField(name string, value int64) {
	w.Key(name)
	w.Int(value)
}

// BoolField writes a member whose value is true or false.
func (w *Writer) BoolField(name string, value bool) {
	w.Key(name)
	w.Bool(value)
}

// RawField writes a member whose value is already canonical, as Raw does.
func (w *Writer) RawField(name string, value []byte) {
	w.Key(name)
	w.Raw(value)
}

func (w *Writer) open(bracket byte, object bool) {
	if !w.place() {
		return
	}
	if len(w.stack) == MaxDepth {
		w.fail(ErrDepth)
		return
	}
	w.buf = append(w.buf, bracket)
	w.stack = append(w.stack, frame{object: object})
}

func (w *Writer) shut(bracket byte, object bool) {
	if w.err != nil {
		return
	}
	top := w.top()
	if top == nil || top.object != object || top.keyed {
		w.fail(ErrShape)
		return
	}
	w.buf = append(w.buf, bracket)
	w.stack = w.stack[:len(w.stack)-1]
	w.finish()
}

// place readies the document for one value: the comma of an array, the name
// of an object's member already written, nothing after the end.
func (w *Writer) place() bool {
	if w.err != nil {
		return false
	}
	top := w.top()
	switch {
	case top == nil && w.done, top != nil && top.object && !top.keyed:
		w.fail(ErrShape)
		return false
	case top == nil:
	case top.object:
		top.keyed = false
	default:
		if top.filled {
			w.buf = append(w.buf, ',')
		}
		top.filled = true
	}
	return true
}

// finish marks the document complete once no array or object is open.
func (w *Writer) finish() {
	if len(w.stack) == 0 {
		w.done = true
	}
}

func (w *Writer) top() *frame {
	if len(w.stack) == 0 {
		return nil
	}
	return &w.stack[len(w.stack)-1]
}

func (w *Writer) fail(err error) {
	if w.err == nil {
		w.err = err
	}
}

// quote appends a string with the escapes of RFC 8785, section 3.2.2.2.
func (w *Writer) quote(s string) {
	if !utf8.ValidString(s) {
		w.fail(ErrMalformed)
		return
	}
	w.buf = append(w.buf, '"')
	from := 0
	for i := range len(s) {
		if c := s[i]; c < 0x20 || c == '"' || c == '\\' {
			w.buf = append(w.buf, s[from:i]...)
			w.buf = appendEscape(w.buf, c)
			from = i + 1
		}
	}
	w.buf = append(w.buf, s[from:]...)
	w.buf = append(w.buf, '"')
}

// appendEscape appends the one spelling that RFC 8785 allows for a character
// that must be escaped. Any other character is appended as it is.
func appendEscape(b []byte, c byte) []byte {
	const hexDigits = "0123456789abcdef"
	switch c {
	case '"', '\\':
		return append(b, '\\', c)
	case '\b':
		return append(b, '\\', 'b')
	case '\f':
		return append(b, '\\', 'f')
	case '\n':
		return append(b, '\\', 'n')
	case '\r':
		return append(b, '\\', 'r')
	case '\t':
		return append(b, '\\', 't')
	}
	if c >= 0x20 {
		return append(b, c)
	}
	return append(b, '\\', 'u', '0', '0', hexDigits[c>>4], hexDigits[c&0xf])
}

// depthOf is how deep a well-formed document nests.
func depthOf(doc []byte) int {
	deepest, depth := 0, 0
	for i := 0; i < len(doc); i++ {
		switch doc[i] {
		case '"':
			i = skipString(doc, i)
		case '[', '{':
			depth++
			deepest = max(deepest, depth)
		case ']', '}':
			depth--
		}
	}
	return deepest
}
