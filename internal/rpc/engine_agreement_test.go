package rpc_test

import (
	"encoding/json"
	"io"
	"math"
	"strconv"
	"strings"
	"testing"

	pb "ponderal.example/api/ponderal/v1"
	"ponderal.example/internal/demo/caller"
)

// rCase is one table of r/agreement.json with what R makes of it.
type rCase struct {
	Rows   [][]float64
	Groups []string
	Means  []float64
	Bias   []float64
	Pairs  []struct {
		First, Second int
		Bias, SD      float64
		Lower, Upper  float64
		BiasCI        [2]float64 `json:"bias_ci"`
		LowerCI       [2]float64 `json:"lower_ci"`
		UpperCI       [2]float64 `json:"upper_ci"`
	}
	EachGroup []struct {
		Name                     string
		Targets                  uint32
		ICC21                    float64 `json:"icc_2_1"`
		Lower, Upper, SEM, MDC95 float64
	} `json:"each_group"`
}

// alike reports whether two figures agree to eight digits.
func alike(got, want float64) bool { return math.Abs(got-want) <= 1e-8*math.Max(1, math.Abs(want)) }

func (c rCase) request(t *testing.T) string {
	t.Helper()
	var rows []map[string]any
	for i, row := range c.Rows {
		rows = append(rows, map[string]any{"values": row, "group": c.Groups[i]})
	}
	var names []string
	for i := range c.Rows[0] {
		names = append(names, "rater "+strconv.Itoa(i+1))
	}
	text, err := json.Marshal(map[string]any{"rows": rows, "raterNames": names})
	if err != nil {
		t.Fatal(err)
	}
	return string(text)
}

// TestRatersAndGroups: each rater's mean and bias, the limits of every two raters, and ICC(2,1), SEM and MDC95 of every group are those of R
// on random data (r/agreement.json, made by r/agreement.R with R 4.2.2 and its package psych 2.2.9).
func TestRatersAndGroups(t *testing.T) {
	var doc struct{ Cases []rCase }
	reference(t, "r/agreement.json", &doc)
	if len(doc.Cases) != 3 {
		t.Fatalf("%d cases", len(doc.Cases))
	}
	service := serve(t, io.Discard)
	for i, c := range doc.Cases {
		for _, way := range ways {
			got, err := ask[pb.AnalyzeAgreementResponse](t, service, way, "AnalyzeAgreement", &pb.AnalyzeAgreementRequest{}, c.request(t))
			if err != nil {
				t.Fatal(err)
			}
			c.compare(t, "case "+strconv.Itoa(i)+" over "+string(way), got)
		}
	}
}

func (c rCase) compare(t *testing.T, name string, got *pb.AnalyzeAgreementResponse) {
	t.Helper()
	if len(got.GetEachRater()) != len(c.Means) || len(got.GetPairs()) != len(c.Pairs) || len(got.GetGroups()) != len(c.EachGroup) {
		t.Fatalf("%s: %d raters, %d pairs, %d groups", name, len(got.GetEachRater()), len(got.GetPairs()), len(got.GetGroups()))
	}
	for i, r := range got.GetEachRater() {
		if r.GetName() != "rater "+strconv.Itoa(i+1) || !alike(r.GetMean(), c.Means[i]) || !alike(r.GetBias(), c.Bias[i]) {
			t.Errorf("%s: %v, R has %v and %v", name, r, c.Means[i], c.Bias[i])
		}
	}
	for i, p := range got.GetPairs() {
		want, l := c.Pairs[i], p.GetLimits()
		figures := []float64{l.GetBias(), l.GetStandardDeviation(), l.GetLower(), l.GetUpper(), l.GetBiasInterval().GetFrom(), l.GetBiasInterval().GetTo(),
			l.GetLowerInterval().GetFrom(), l.GetLowerInterval().GetTo(), l.GetUpperInterval().GetFrom(), l.GetUpperInterval().GetTo()}
		for j, w := range []float64{want.Bias, want.SD, want.Lower, want.Upper, want.BiasCI[0], want.BiasCI[1], want.LowerCI[0], want.LowerCI[1], want.UpperCI[0], want.UpperCI[1]} {
			if !alike(figures[j], w) {
				t.Errorf("%s: pair %v: figure %d is %v, R has %v", name, p, j, figures[j], w)
			}
		}
		if p.GetFirst() != "rater "+strconv.Itoa(want.First) || p.GetSecond() != "rater "+strconv.Itoa(want.Second) {
			t.Errorf("%s: pair of %s and %s", name, p.GetFirst(), p.GetSecond())
		}
	}
	if (len(c.Means) == 2) != (got.GetLimitsOfAgreement() != nil) {
		t.Errorf("%s: limits of agreement %v", name, got.GetLimitsOfAgreement())
	}
	for i, g := range got.GetGroups() {
		want := c.EachGroup[i]
		r, e := g.GetCorrelation(), g.GetAbsoluteAgreement()
		if g.GetName() != want.Name || g.GetTargets() != want.Targets || r.GetForm() != "icc_2_1" || g.GetNotComputed() != "" ||
			!alike(r.GetEstimate(), want.ICC21) || !alike(r.GetLower(), want.Lower) || !alike(r.GetUpper(), want.Upper) ||
			!alike(e.GetStandardErrorOfMeasurement(), want.SEM) || !alike(e.GetMinimalDetectableChange_95(), want.MDC95) {
			t.Errorf("%s: %v, R has %+v", name, g, want)
		}
	}
}

// TestAgreementOfMany: ten raters are compared in 45 pairs, eleven in none; a group that does not allow a figure says why and spoils no other;
// without names the raters have their places.
func TestAgreementOfMany(t *testing.T) {
	service := serve(t, io.Discard)
	for raters, pairs := range map[int]int{10: 45, 11: 0} {
		var rows []string
		for target := range 4 {
			var values []string
			for rater := range raters {
				values = append(values, strconv.Itoa(10*target+rater*rater%7))
			}
			group := "north"
			if target == 3 {
				group = "south"
			}
			rows = append(rows, `{"values": [`+strings.Join(values, ", ")+`], "group": "`+group+`"}`)
		}
		got, err := ask[pb.AnalyzeAgreementResponse](t, service, caller.REST, "AnalyzeAgreement", &pb.AnalyzeAgreementRequest{}, `{"rows": [`+strings.Join(rows, ", ")+`]}`)
		if err != nil {
			t.Fatal(err)
		}
		if len(got.GetPairs()) != pairs || len(got.GetEachRater()) != raters || got.GetEachRater()[1].GetName() != "2" {
			t.Errorf("%d raters: %d pairs, raters %v", raters, len(got.GetPairs()), got.GetEachRater())
		}
		if g := got.GetGroups(); len(g) != 2 || g[0].GetCorrelation() == nil || g[0].GetTargets() != 3 || g[1].GetNotComputed() == "" || g[1].GetCorrelation() != nil {
			t.Errorf("%d raters: groups %v", raters, g)
		}
	}
}
