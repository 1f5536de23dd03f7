package caller

import (
	"bytes"
	"context"
	"fmt"
	"io"
	"net/http"
	"net/url"
	"regexp"
	"strconv"
	"strings"

	"google.golang.org/genproto/googleapis/api/annotations"
	"google.golang.org/protobuf/encoding/protojson"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/reflect/protoreflect"
	"google.golang.org/protobuf/reflect/protoregistry"
)

// maxAnswer is the largest answer that is read.
const maxAnswer = 64 << 20

func (c Caller) rest(ctx context.Context, method string, in, out proto.Message) error {
	req, err := c.request(ctx, method, in)
	if err != nil {
		return fmt.Errorf("%s over REST: %w", method, err)
	}
	resp, err := c.service.http.Do(req)
	if err != nil {
		return fmt.Errorf("%s over REST: %w", method, err)
	}
	defer resp.Body.Close()
	body, err := io.ReadAll(io.LimitReader(resp.Body, maxAnswer))
	if err != nil {
		return fmt.Errorf("%s over REST: read answer: %w", method, err)
	}
	if resp.StatusCode != http.StatusOK {
		return fromREST(method, resp.StatusCode, body)
	}
	if fillBody(out.ProtoReflect(), resp.Header.Get("Content-Type"), body) {
		return nil
	}
	if err := protojson.Unmarshal(body, out); err != nil {
		return fmt.Errorf("%s over REST: read answer: %w", method, err)
	}
	return nil
}

// fillBody fills a google.api.HttpBody, which over REST is the answer itself, and reports whether out is one.
func fillBody(out protoreflect.Message, contentType string, body []byte) bool {
	if out.Descriptor().FullName() != "google.api.HttpBody" {
		return false
	}
	fields := out.Descriptor().Fields()
	out.Set(fields.ByName("content_type"), protoreflect.ValueOfString(contentType))
	out.Set(fields.ByName("data"), protoreflect.ValueOfBytes(body))
	return true
}

func (c Caller) request(ctx context.Context, method string, in proto.Message) (*http.Request, error) {
	rule, err := ruleOf(method)
	if err != nil {
		return nil, err
	}
	call, err := transcode(rule, in)
	if err != nil {
		return nil, err
	}
	req, err := http.NewRequestWithContext(ctx, call.verb, c.service.base+call.target, bytes.NewReader(call.body))
	if err != nil {
		return nil, err
	}
	if len(call.body) > 0 {
		req.Header.Set("Content-Type", "application/json")
	}
	if c.token != "" {
		req.Header.Set("Authorization", "Bearer "+c.token)
	}
	req.Header.Set("X-Ponderal-App", App)
	return req, nil
}

// ruleOf is the http rule that the contract gives a method.
func ruleOf(method string) (*annotations.HttpRule, error) {
	name := protoreflect.FullName(pkg + strings.ReplaceAll(method, "/", "."))
	d, err := protoregistry.GlobalFiles.FindDescriptorByName(name)
	if err != nil {
		return nil, fmt.Errorf("find method %s: %w", name, err)
	}
	rule, ok := proto.GetExtension(d.Options(), annotations.E_Http).(*annotations.HttpRule)
	if !ok || rule == nil {
		return nil, fmt.Errorf("method %s has no http rule", name)
	}
	return rule, nil
}

// call is a request as REST has it.
type call struct {
	verb, target string
	body         []byte
}

var placeholder = regexp.MustCompile(`\{[a-z_.]+(=\*\*)?\}`)

// transcode spells a message as the http rule says: fields named in the path, the body, and the rest as query parameters.
func transcode(rule *annotations.HttpRule, in proto.Message) (call, error) {
	c := call{}
	var template string
	switch p := rule.GetPattern().(type) {
	case *annotations.HttpRule_Get:
		c.verb, template = http.MethodGet, p.Get
	case *annotations.HttpRule_Put:
		c.verb, template = http.MethodPut, p.Put
	case *annotations.HttpRule_Post:
		c.verb, template = http.MethodPost, p.Post
	default:
		return call{}, fmt.Errorf("http rule with a verb that the contract does not use")
	}
	used := map[string]bool{}
	c.target = placeholder.ReplaceAllStringFunc(template, func(found string) string {
		path, whole := strings.CutSuffix(strings.Trim(found, "{}"), "=**")
		used[path] = true
		if whole {
			return strings.ReplaceAll(url.PathEscape(textAt(in.ProtoReflect(), path)), "%2F", "/")
		}
		return url.PathEscape(textAt(in.ProtoReflect(), path))
	})
	var err error
	switch body := rule.GetBody(); body {
	case "*":
		c.body, err = protojson.Marshal(in)
		return c, err
	case "":
	default:
		field := in.ProtoReflect().Descriptor().Fields().ByName(protoreflect.Name(body))
		used[body] = true
		c.body, err = protojson.Marshal(in.ProtoReflect().Get(field).Message().Interface())
	}
	query := url.Values{}
	addQuery(query, "", in.ProtoReflect(), used)
	if len(query) > 0 {
		c.target += "?" + query.Encode()
	}
	return c, err
}

// textAt spells the scalar field at a path such as session.id.
func textAt(m protoreflect.Message, path string) string {
	name, rest, nested := strings.Cut(path, ".")
	field := m.Descriptor().Fields().ByName(protoreflect.Name(name))
	if nested {
		return textAt(m.Get(field).Message(), rest)
	}
	return scalar(field, m.Get(field))
}

// addQuery adds every field that is set and stands nowhere else.
func addQuery(query url.Values, prefix string, m protoreflect.Message, used map[string]bool) {
	m.Range(func(field protoreflect.FieldDescriptor, v protoreflect.Value) bool {
		path := prefix + string(field.Name())
		switch {
		case used[path]:
		case field.IsList():
			for i := range v.List().Len() {
				query.Add(path, scalar(field, v.List().Get(i)))
			}
		case field.Message() != nil:
			addQuery(query, path+".", v.Message(), used)
		default:
			query.Set(path, scalar(field, v))
		}
		return true
	})
}

func scalar(field protoreflect.FieldDescriptor, v protoreflect.Value) string {
	if field.Enum() != nil {
		return strconv.Itoa(int(v.Enum()))
	}
	return v.String()
}
