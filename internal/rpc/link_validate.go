package rpc

import (
	"errors"
	"fmt"
	"strings"

	"buf.build/go/protovalidate"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/reflect/protoreflect"

	"ponderal.example/internal/fault"
	"ponderal.example/internal/record"
)

// validation enforces the rules that the contract declares. Where they are broken it looks for broken rules of meaning as well, so that one
// answer names every bad field; where they hold, the handler and the use case judge the meaning.
type validation struct{ validator protovalidate.Validator }

// newValidation compiles the rules of every message that the services take, so that no request pays for it and nothing is locked.
func newValidation(services []protoreflect.ServiceDescriptor) (*validation, error) {
	var inputs []protoreflect.MessageDescriptor
	for _, service := range services {
		for i := range service.Methods().Len() {
			inputs = append(inputs, service.Methods().Get(i).Input())
		}
	}
	v, err := protovalidate.New(protovalidate.WithMessageDescriptors(inputs...), protovalidate.WithDisableLazy())
	if err != nil {
		return nil, fmt.Errorf("compile field rules: %w", err)
	}
	return &validation{validator: v}, nil
}

func (v *validation) message(c *call, m proto.Message) error {
	if c.rule.Open {
		return nil
	}
	err := v.validator.Validate(m)
	if err == nil {
		return nil
	}
	var broken *protovalidate.ValidationError
	if !errors.As(err, &broken) {
		return fmt.Errorf("validate %s: %w", c.method, err)
	}
	violations := make([]fault.Violation, 0, len(broken.Violations))
	for _, b := range broken.Violations {
		violations = append(violations, violationOf(b))
	}
	return fault.InvalidFields(merge(violations, meaningOf(m, record.TimeOf(c.now()))))
}

func violationOf(b *protovalidate.Violation) fault.Violation {
	text := b.Proto.GetMessage()
	if text == "" {
		text = "the value breaks the rule " + b.Proto.GetRuleId()
	}
	return fault.Violation{Field: protovalidate.FieldPathString(b.Proto.GetField()), Rule: b.Proto.GetRuleId(), Text: text}
}

// merge adds the violations of meaning that concern fields which are not named yet. A field that is named, lies within one that is
// or holds one that is was judged on what could not be read, so that nothing more is said of it.
func merge(named, more []fault.Violation) []fault.Violation {
	declared := len(named)
	for _, m := range more {
		known := false
		for _, n := range named[:declared] {
			known = known || n.Field == m.Field || within(m.Field, n.Field) || within(n.Field, m.Field)
		}
		if !known {
			named = append(named, m)
		}
	}
	return named
}

// within reports whether the path inner leads to a part of outer.
func within(inner, outer string) bool {
	rest, ok := strings.CutPrefix(inner, outer)
	return ok && rest != "" && (rest[0] == '.' || rest[0] == '[')
}
