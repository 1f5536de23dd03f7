package record

// Revision says which stored version a record is, and which audit entry wrote it.
type Revision struct {
	Number int
	Entry  int64
	At     Time
}

// Stored is a record with its revision.
type Stored[T any] struct {
	Value    T
	Revision Revision
}

// Page asks for a part of a list: at most Size items after Cursor (empty for the first page).
type Page struct {
	Size   int
	Cursor string
}

// List is a part of a list; Next is empty on the last page.
type List[T any] struct {
	Items []Stored[T]
	Next  string
}

// Difference is one field that differs between two versions; Was and Now are compact JSON, empty where absent.
type Difference struct {
	Path string
	Was  string
	Now  string
}
