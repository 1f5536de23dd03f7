package gateway

import (
	"net/http"
	"net/url"
	"slices"
	"strconv"
	"time"

	"google.golang.org/protobuf/reflect/protoreflect"

	"ponderal.example/internal/fault"
	"ponderal.example/internal/rpc"
)

// checkQuery refuses parameters that the method does not take, and values that its fields cannot hold, each by its name.
func checkQuery(route *route, raw string) *refusal {
	values, err := url.ParseQuery(raw)
	if err != nil {
		return &refusal{http.StatusBadRequest, fault.Wrap(fault.Invalid, "MALFORMED_QUERY", "the query string cannot be read", err)}
	}
	var unknown, wrong []fault.Violation
	for key, given := range values {
		field := route.parameter(key)
		if field == nil {
			unknown = append(unknown, fault.Violation{
				Field: rpc.SanitiseApp(key), Rule: "query.unknown", Text: "this method has no such query parameter",
			})
		} else if rule, text := wrongValue(field, given); rule != "" {
			wrong = append(wrong, fault.Violation{Field: key, Rule: rule, Text: text})
		}
	}
	if len(unknown) > 0 {
		return &refusal{http.StatusBadRequest, &fault.Error{
			Kind: fault.Invalid, Reason: "UNKNOWN_PARAMETER", Text: "the query string has parameters that the method does not take",
			Violations: unknown,
		}}
	}
	if len(wrong) > 0 {
		return &refusal{http.StatusBadRequest, &fault.Error{
			Kind: fault.Invalid, Reason: "INVALID_REQUEST", Text: "the query string has values that its parameters cannot hold",
			Violations: wrong,
		}}
	}
	return nil
}

// wrongValue is the rule that the values given to a parameter break, and what would do; empty where they break none.
func wrongValue(field protoreflect.FieldDescriptor, given []string) (rule, text string) {
	if len(given) > 1 && !field.IsList() {
		return "query.once", "this query parameter is given once"
	}
	for _, v := range given {
		if isMoment(field) {
			if _, err := time.Parse(time.RFC3339Nano, v); err != nil {
				return "query.moment", "must be a moment with its zone (RFC 3339), such as 2026-03-01T00:00:00Z; a + is written %2B in a query string"
			}
			continue
		}
		if rule, text := wrongScalar(field, v); rule != "" {
			return rule, text
		}
	}
	return "", ""
}

func wrongScalar(field protoreflect.FieldDescriptor, v string) (rule, text string) {
	var err error
	switch field.Kind() {
	case protoreflect.BoolKind:
		if _, err = strconv.ParseBool(v); err != nil {
			return "query.bool", "must be true or false"
		}
	case protoreflect.Uint32Kind, protoreflect.Fixed32Kind:
		_, err = strconv.ParseUint(v, 10, 32)
	case protoreflect.Uint64Kind, protoreflect.Fixed64Kind:
		_, err = strconv.ParseUint(v, 10, 64)
	case protoreflect.EnumKind:
		if !namesEnum(field.Enum(), v) {
			return "query.enum", "must be one of the values that /openapi.json lists"
		}
	default:
		return "", ""
	}
	if err != nil {
		return "query.number", "must be a whole number, not negative, that is not too large"
	}
	return "", ""
}

// namesEnum says whether v is a name of the enum or a number; which numbers, the field's own rule says.
func namesEnum(enum protoreflect.EnumDescriptor, v string) bool {
	if _, err := strconv.ParseInt(v, 10, 32); err == nil {
		return true
	}
	return slices.Contains(enumNames(enum), v)
}

func enumNames(enum protoreflect.EnumDescriptor) []string {
	values := enum.Values()
	names := make([]string, values.Len())
	for i := range names {
		names[i] = string(values.Get(i).Name())
	}
	return names
}
