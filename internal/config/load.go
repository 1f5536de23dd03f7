package config

import (
	"bytes"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"slices"
	"strings"
)

// elsewhere are the variables of other parts of the program, which are not this package's to refuse: those of the demo, of the tests
// and of the migration.
var elsewhere = []string{Prefix + "DEMO_", Prefix + "TEST_", Prefix + "OWNER_", Prefix + "ERASER_", Prefix + "PGTEST_", Prefix + "LOCALPG_"}

// Load reads the settings: from lookup (the environment), else from file (JSON, nil for none), else the defaults. environ are the
// NAME=value pairs of the environment, of which only the names are looked at. Every mistake is named at once, never with the value of a
// setting. The result still has to pass Validate.
func Load(lookup func(string) (string, bool), environ []string, file []byte) (Config, error) {
	var c Config
	inFile, err := readFile(file)
	if err != nil {
		return Config{}, err
	}
	bad := unknown(environ, inFile)
	for _, s := range settings() {
		value, from := s.Default, ""
		if v, ok := inFile[s.Name]; ok {
			value, from = v.text, "setting "+s.Name+" of the file"
			if v.kind != s.Kind {
				bad = append(bad, fmt.Errorf("%s: a %s is needed there", from, jsonForm(s.Kind)))
				continue
			}
		}
		if v, ok := lookup(s.Variable()); ok {
			value, from = v, "variable "+s.Variable()
		}
		if from == "" && value == "" {
			continue
		}
		if err := s.set(&c, value); err != nil {
			bad = append(bad, fmt.Errorf("%s: %w", from, err))
		}
	}
	if len(bad) > 0 {
		return Config{}, fmt.Errorf("read configuration: %w", errors.Join(bad...))
	}
	return c, nil
}

// fileValue is a value of the file as text, with its kind.
type fileValue struct{ kind, text string }

// readFile reads one JSON object of strings, numbers, true and false, each name once, and nothing after it.
func readFile(file []byte) (map[string]fileValue, error) {
	values := map[string]fileValue{}
	if len(bytes.TrimSpace(file)) == 0 {
		return values, nil
	}
	dec := json.NewDecoder(bytes.NewReader(file))
	dec.UseNumber()
	if tok, err := dec.Token(); err != nil || tok != json.Delim('{') {
		return nil, errors.New("read configuration file: it is not one JSON object")
	}
	for dec.More() {
		key, err := dec.Token()
		if err != nil {
			return nil, brokenFile(dec)
		}
		name, ok := key.(string)
		if !ok {
			return nil, brokenFile(dec)
		}
		if _, twice := values[name]; twice {
			return nil, fmt.Errorf("read configuration file: setting %s stands in it twice", name)
		}
		tok, err := dec.Token()
		if err != nil {
			return nil, brokenFile(dec)
		}
		value, ok := valueOf(tok)
		if !ok {
			return nil, fmt.Errorf("read configuration file: setting %s is neither a string nor a number nor true or false", name)
		}
		values[name] = value
	}
	if _, err := dec.Token(); err != nil {
		return nil, brokenFile(dec)
	}
	if _, err := dec.Token(); !errors.Is(err, io.EOF) {
		return nil, errors.New("read configuration file: something follows its JSON object")
	}
	return values, nil
}

// brokenFile says where, and not what: the file may hold a password.
func brokenFile(dec *json.Decoder) error {
	return fmt.Errorf("read configuration file: it is not JSON at byte %d", dec.InputOffset())
}

func valueOf(tok json.Token) (fileValue, bool) {
	switch v := tok.(type) {
	case string:
		return fileValue{kindText, v}, true
	case json.Number:
		return fileValue{kindNumber, v.String()}, true
	case bool:
		return fileValue{kindYesNo, fmt.Sprint(v)}, true
	}
	return fileValue{}, false
}

func jsonForm(kind string) string {
	switch kind {
	case kindNumber:
		return "JSON number"
	case kindYesNo:
		return "JSON true or false"
	}
	return "JSON string"
}

// unknown are the names that mean nothing here, each with the nearest one that does.
func unknown(environ []string, inFile map[string]fileValue) []error {
	var names, variables []string
	for _, s := range settings() {
		names = append(names, s.Name)
		variables = append(variables, s.Variable())
	}
	var bad []error
	for _, pair := range environ {
		name, _, _ := strings.Cut(pair, "=")
		other := slices.ContainsFunc(elsewhere, func(p string) bool { return strings.HasPrefix(name, p) })
		if strings.HasPrefix(name, Prefix) && !other && !slices.Contains(variables, name) {
			bad = append(bad, fmt.Errorf("variable %s is not known%s", name, nearest(name, variables)))
		}
	}
	for name := range inFile {
		if !slices.Contains(names, name) {
			bad = append(bad, fmt.Errorf("setting %s of the file is not known%s", name, nearest(name, names)))
		}
	}
	slices.SortFunc(bad, func(a, b error) int { return strings.Compare(a.Error(), b.Error()) })
	return bad
}

// farthest is how many letters a name may be off to be suggested.
const farthest = 4

// nearest suggests the name with the fewest single-letter changes to it (Levenshtein 1966), or nothing when none is near.
func nearest(name string, known []string) string {
	best, least := "", -1
	for _, k := range known {
		if d := distance(strings.ToLower(name), strings.ToLower(k)); least < 0 || d < least {
			best, least = k, d
		}
	}
	if least < 0 || least > farthest {
		return ""
	}
	return "; did you mean " + best + "?"
}

func distance(a, b string) int {
	row := make([]int, len(b)+1)
	for j := range row {
		row[j] = j
	}
	for i := range len(a) {
		diagonal := row[0]
		row[0] = i + 1
		for j := range len(b) {
			change := diagonal
			if a[i] != b[j] {
				change++
			}
			diagonal = row[j+1]
			row[j+1] = min(change, row[j]+1, row[j+1]+1)
		}
	}
	return row[len(b)]
}
