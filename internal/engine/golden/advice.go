package golden

import (
	"bytes"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"reflect"
)

// AdviceCase is one file of the golden cases of advice: a request and the answer that the rules give it, both as the API's own JSON. Why
// says which rule it shows and how the answer follows, Source where the deciding rule or number is from. The answer leaves out what is
// wording: the texts of the reasons and the cautions.
type AdviceCase struct {
	Name    string          `json:"name"`
	Why     string          `json:"why"`
	Source  string          `json:"source"`
	Request json.RawMessage `json:"request"`
	Answer  json.RawMessage `json:"answer"`
}

// LoadAdvice reads every case of a directory in the order of file names. A member that no type knows, or a directory without cases, is an
// error.
func LoadAdvice(dir string) ([]AdviceCase, error) {
	paths, err := filepath.Glob(filepath.Join(dir, "*.json"))
	if err != nil {
		return nil, fmt.Errorf("list golden cases: %w", err)
	}
	if len(paths) == 0 {
		return nil, fmt.Errorf("list golden cases: none in %s", dir)
	}
	cases := make([]AdviceCase, len(paths))
	for i, path := range paths {
		if cases[i], err = readAdvice(path); err != nil {
			return nil, fmt.Errorf("read golden case %s: %w", filepath.Base(path), err)
		}
	}
	return cases, nil
}

func readAdvice(path string) (c AdviceCase, err error) {
	text, err := os.ReadFile(path)
	if err != nil {
		return c, err
	}
	dec := json.NewDecoder(bytes.NewReader(text))
	dec.DisallowUnknownFields()
	if err := dec.Decode(&c); err != nil {
		return c, err
	}
	if _, err := dec.Token(); !errors.Is(err, io.EOF) {
		return c, errors.New("more than one document")
	}
	if c.Name == "" || c.Why == "" || c.Source == "" {
		return c, errors.New("a case says its name, why and its source")
	}
	return c, nil
}

// Holds compares an answer in the API's JSON with that of the case. Every reason must have a text, and there must be a caution.
func (c AdviceCase) Holds(answer []byte) error {
	got, want, err := decoded(answer, c.Answer)
	if err != nil {
		return err
	}
	if cautions, _ := got["cautions"].([]any); len(cautions) == 0 {
		return errors.New("the answer has no caution")
	}
	delete(got, "cautions")
	reasons, _ := got["reasons"].([]any)
	for _, r := range reasons {
		if reason, ok := r.(map[string]any); !ok || reason["text"] == nil || reason["text"] == "" {
			return fmt.Errorf("a reason has no text: %v", r)
		}
		delete(r.(map[string]any), "text")
	}
	for _, m := range []map[string]any{got, want} {
		if list, _ := m["reasons"].([]any); len(list) == 0 {
			delete(m, "reasons")
		}
	}
	if !reflect.DeepEqual(got, want) {
		return fmt.Errorf("%s\ngot  %v\nwant %v", c.Why, got, want)
	}
	return nil
}

func decoded(answer, expected []byte) (got, want map[string]any, err error) {
	if err := json.Unmarshal(answer, &got); err != nil {
		return nil, nil, fmt.Errorf("read answer: %w", err)
	}
	if err := json.Unmarshal(expected, &want); err != nil {
		return nil, nil, fmt.Errorf("read expected answer: %w", err)
	}
	return got, want, nil
}
