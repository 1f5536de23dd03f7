package gateway

import (
	"fmt"
	"net/http"
	"regexp"
	"slices"
	"strings"

	"google.golang.org/genproto/googleapis/api/annotations"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/reflect/protoreflect"
)

// route is one REST route as the contract declares it.
type route struct {
	verb string
	// pattern is the template as the mux prints it: every variable as {name=*}, or {name=**} where it takes the rest of the path.
	pattern string
	input   protoreflect.MessageDescriptor
	// streams: the answer comes in pieces.
	streams bool
	// output is the full name of the message that answers.
	output protoreflect.FullName
	// bound are the fields that the path fills.
	bound []string
	// body is the field that the body fills, "*" for the whole message, "" where no body is taken.
	body string
	// matches says whether a path is one of this route.
	matches *regexp.Regexp
}

// routes are the routes of a contract, by verb and pattern.
type routes map[string]*route

// variable finds a variable in a template, quoted one in a template that regexp.QuoteMeta has treated.
var (
	variable = regexp.MustCompile(`\{([a-z_.]+)(=\*\*)?\}`)
	quoted   = regexp.MustCompile(`\\\{[a-z_.\\]+\\\}`)
	rest     = regexp.MustCompile(`\\\{[a-z_.\\]+=\\\*\\\*\\\}`)
)

// readRoutes reads the routes of the services. A method without one is an error: REST serves every method.
func readRoutes(services []protoreflect.ServiceDescriptor) (routes, error) {
	all := routes{}
	for _, service := range services {
		for i := range service.Methods().Len() {
			r, err := readRoute(service.Methods().Get(i))
			if err != nil {
				return nil, err
			}
			all[r.verb+" "+r.pattern] = r
		}
	}
	return all, nil
}

func readRoute(method protoreflect.MethodDescriptor) (*route, error) {
	rule, ok := proto.GetExtension(method.Options(), annotations.E_Http).(*annotations.HttpRule)
	if !ok || rule == nil {
		return nil, fmt.Errorf("read routes: method %s has none", method.FullName())
	}
	verb, template := verbOf(rule)
	if verb == "" {
		return nil, fmt.Errorf("read routes: method %s has a route of another form than GET, PUT, POST", method.FullName())
	}
	expr, err := regexp.Compile("^" + rest.ReplaceAllString(quoted.ReplaceAllString(regexp.QuoteMeta(template), "[^/]+"), ".+") + "$")
	if err != nil {
		return nil, fmt.Errorf("read route %s: %w", template, err)
	}
	r := &route{
		verb: verb, pattern: printed(template), input: method.Input(), streams: method.IsStreamingServer(), output: method.Output().FullName(), body: rule.GetBody(), matches: expr,
	}
	for _, m := range variable.FindAllStringSubmatch(template, -1) {
		r.bound = append(r.bound, m[1])
	}
	return r, nil
}

// printed is a template as the mux prints it.
func printed(template string) string {
	return variable.ReplaceAllStringFunc(template, func(found string) string {
		if strings.HasSuffix(found, "=**}") {
			return found
		}
		return strings.TrimSuffix(found, "}") + "=*}"
	})
}

func verbOf(rule *annotations.HttpRule) (verb, template string) {
	switch p := rule.GetPattern().(type) {
	case *annotations.HttpRule_Get:
		return http.MethodGet, p.Get
	case *annotations.HttpRule_Put:
		return http.MethodPut, p.Put
	case *annotations.HttpRule_Post:
		return http.MethodPost, p.Post
	}
	return "", ""
}

// allowed are the verbs that a path takes, for the Allow header.
func (rs routes) allowed(path string) []string {
	var verbs []string
	for _, r := range rs {
		if r.matches.MatchString(path) && !slices.Contains(verbs, r.verb) {
			verbs = append(verbs, r.verb)
		}
	}
	slices.Sort(verbs)
	return verbs
}

// takes reports whether key is a query parameter of the route.
func (r *route) takes(key string) bool {
	return r.parameter(key) != nil
}

// parameter is the field that key names in a query string, if there is one: the path of a scalar field or a moment of the request, under its
// proto or JSON name, which neither the path nor the body fills.
func (r *route) parameter(key string) protoreflect.FieldDescriptor {
	if r.body == "*" {
		return nil
	}
	message := r.input
	var path []string
	for name := range strings.SplitSeq(key, ".") {
		if message == nil {
			return nil
		}
		field := message.Fields().ByTextName(name)
		if field == nil {
			field = message.Fields().ByJSONName(name)
		}
		if field == nil || field.IsMap() || field.IsList() && field.Message() != nil {
			return nil
		}
		path = append(path, string(field.Name()))
		message = field.Message()
		if message == nil || isMoment(field) {
			message = nil
			if len(path) == strings.Count(key, ".")+1 && r.free(path) {
				return field
			}
		}
	}
	return nil
}

// isMoment says of a field that it is one text in a query string: RFC 3339.
func isMoment(field protoreflect.FieldDescriptor) bool {
	return field.Message() != nil && field.Message().FullName() == "google.protobuf.Timestamp"
}

func (r *route) free(path []string) bool {
	full := strings.Join(path, ".")
	return path[0] != r.body && !slices.Contains(r.bound, full)
}
