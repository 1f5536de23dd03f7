package gateway

import (
	"fmt"
	"net/http"
	"reflect"
	"strings"

	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/reflect/protoreflect"

	"ponderal.example/internal/fault"
)

// contradicted refuses a decoded body that names something else than the path does: the generated code would let the path win without a word.
func (r *route) contradicted(into any, params map[string]string) *refusal {
	message, ok := messageOf(into)
	if !ok {
		return nil
	}
	var violations []fault.Violation
	for _, bound := range r.bound {
		path, ok := strings.CutPrefix(bound, r.body+".")
		if r.body == "*" {
			path, ok = bound, true
		}
		if !ok {
			continue
		}
		if said := valueAt(message, path); said != "" && !strings.EqualFold(said, params[bound]) {
			violations = append(violations, fault.Violation{Field: bound, Rule: "path.same", Text: "the body names another than the path does"})
		}
	}
	if len(violations) == 0 {
		return nil
	}
	return &refusal{http.StatusBadRequest, &fault.Error{
		Kind: fault.Invalid, Reason: "PATH_CONTRADICTED", Text: "path and body name different things; nothing was stored", Violations: violations,
	}}
}

// messageOf is the message that a decoder of the generated code has filled: it hands over a message, or the address of a field that is one.
func messageOf(into any) (protoreflect.Message, bool) {
	if m, ok := into.(proto.Message); ok {
		return m.ProtoReflect(), true
	}
	v := reflect.ValueOf(into)
	if v.Kind() != reflect.Pointer || v.IsNil() {
		return nil, false
	}
	m, ok := v.Elem().Interface().(proto.Message)
	if !ok {
		return nil, false
	}
	return m.ProtoReflect(), true
}

// valueAt is the scalar at a path of field names as text; empty where it is not set.
func valueAt(m protoreflect.Message, path string) string {
	names := strings.Split(path, ".")
	for _, name := range names[:len(names)-1] {
		field := m.Descriptor().Fields().ByTextName(name)
		if field == nil || field.Message() == nil || !m.Has(field) {
			return ""
		}
		m = m.Get(field).Message()
	}
	field := m.Descriptor().Fields().ByTextName(names[len(names)-1])
	if field == nil || !m.Has(field) {
		return ""
	}
	return fmt.Sprint(m.Get(field).Interface())
}
