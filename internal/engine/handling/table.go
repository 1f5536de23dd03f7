package handling

import "ponderal.example/internal/record"

// variable is what a term depends on: metres, lifts per minute, or a natural logarithm of one.
type variable uint8

const (
	varH variable = iota
	varVRM
	varV
	varDH
	varLnDV
	varLnDH
	varLnF
	variables
)

// term is the variable to the power 1 or 2, divided by the divisor, which carries the sign.
type term struct {
	of      variable
	power   int
	divisor float64
}

// factor is a scale factor: a constant and its terms.
type factor struct {
	name     string
	constant float64
	terms    []term
}

// equation is one of the 14: the reference load in kg (a force in kgf) and the coefficient of variation (table 4, p. 965), times
// the scale factors (pp. 962-963).
type equation struct {
	task      Task
	sex       record.Sex
	reference float64
	cv        float64
	factors   []factor
}

// equations are the published coefficients, only ever read. A test compares each with the collected table.
var equations = [...]equation{
	{Lift, record.Female, 34.9, 0.260, []factor{
		{"HSF", 1.2602, []term{{varH, 1, -0.7686}}},
		{"VRMSF", 0.9877, []term{{varVRM, 1, 13.69}, {varVRM, 2, -9.221}}},
		{"DVSF", 0.8199, []term{{varLnDV, 1, -7.696}}},
		{"FSF", 0.6767, []term{{varLnF, 1, -12.59}, {varLnF, 2, -228.2}}},
	}},
	{Lift, record.Male, 82.6, 0.276, []factor{
		{"HSF", 1.3532, []term{{varH, 1, -0.7079}}},
		{"VRMSF", 0.7746, []term{{varVRM, 1, 1.912}, {varVRM, 2, -3.296}}},
		{"DVSF", 0.8695, []term{{varLnDV, 1, -10.62}}},
		{"FSF", 0.6259, []term{{varLnF, 1, -9.092}, {varLnF, 2, -125.0}}},
	}},
	{Lower, record.Female, 37.0, 0.307, []factor{
		{"HSF", 1.2602, []term{{varH, 1, -0.7686}}},
		{"VRMSF", 0.9877, []term{{varVRM, 1, 13.69}, {varVRM, 2, -9.221}}},
		{"DVSF", 0.8199, []term{{varLnDV, 1, -7.696}}},
		{"FSF", 0.6767, []term{{varLnF, 1, -12.59}, {varLnF, 2, -228.2}}},
	}},
	{Lower, record.Male, 95.9, 0.304, []factor{
		{"HSF", 1.3532, []term{{varH, 1, -0.7079}}},
		{"VRMSF", 0.7746, []term{{varVRM, 1, 1.912}, {varVRM, 2, -3.296}}},
		{"DVSF", 0.8695, []term{{varLnDV, 1, -10.62}}},
		{"FSF", 0.5773, []term{{varLnF, 1, -10.80}, {varLnF, 2, -255.9}}},
	}},
	{PushInitial, record.Female, 36.9, 0.214, []factor{
		{"VSF", -0.5304, []term{{varV, 1, 0.3361}, {varV, 2, -0.6915}}},
		{"DHSF", 1.0286, []term{{varDH, 1, -72.22}, {varDH, 2, 9782}}},
		{"FSF", 0.7251, []term{{varLnF, 1, -13.19}, {varLnF, 2, -197.3}}},
	}},
	{PullInitial, record.Female, 36.9, 0.234, []factor{
		{"VSF", -0.5304, []term{{varV, 1, 0.3361}, {varV, 2, -0.6915}}},
		{"DHSF", 1.0286, []term{{varDH, 1, -72.22}, {varDH, 2, 9782}}},
		{"FSF", 0.7251, []term{{varLnF, 1, -13.19}, {varLnF, 2, -197.3}}},
	}},
	{PushSustained, record.Female, 25.5, 0.286, []factor{
		{"VSF", -0.6539, []term{{varV, 1, 0.2941}, {varV, 2, -0.5722}}},
		{"DHSF", 1.0391, []term{{varDH, 1, -52.91}, {varDH, 2, 7975}}},
		{"FSF", 0.6086, []term{{varLnF, 1, -11.95}, {varLnF, 2, -304.4}}},
	}},
	{PullSustained, record.Female, 25.5, 0.298, []factor{
		{"VSF", -0.6539, []term{{varV, 1, 0.2941}, {varV, 2, -0.5722}}},
		{"DHSF", 1.0391, []term{{varDH, 1, -52.91}, {varDH, 2, 7975}}},
		{"FSF", 0.6086, []term{{varLnF, 1, -11.95}, {varLnF, 2, -304.4}}},
	}},
	{PushInitial, record.Male, 70.3, 0.231, []factor{
		{"VSF", 1.2737, []term{{varV, 1, -1.335}, {varV, 2, 2.576}}},
		{"DHSF", 1.0790, []term{{varLnDH, 1, -9.392}}},
		{"FSF", 0.6281, []term{{varLnF, 1, -13.07}, {varLnF, 2, -379.5}}},
	}},
	{PushSustained, record.Male, 65.3, 0.267, []factor{
		{"VSF", 2.2940, []term{{varV, 1, -0.3345}, {varV, 2, 0.6887}}},
		{"DHSF", 1.1035, []term{{varLnDH, 1, -7.170}}},
		{"FSF", 0.4896, []term{{varLnF, 1, -10.20}, {varLnF, 2, -403.9}}},
	}},
	{PullInitial, record.Male, 69.8, 0.238, []factor{
		{"VSF", 1.7186, []term{{varV, 1, -0.6888}, {varV, 2, 2.025}}},
		{"DHSF", 1.0790, []term{{varLnDH, 1, -9.392}}},
		{"FSF", 0.6281, []term{{varLnF, 1, -13.07}, {varLnF, 2, -379.5}}},
	}},
	{PullSustained, record.Male, 61.0, 0.257, []factor{
		{"VSF", 2.1977, []term{{varV, 1, -0.3850}, {varV, 2, 0.9047}}},
		{"DHSF", 1.1035, []term{{varLnDH, 1, -7.170}}},
		{"FSF", 0.4896, []term{{varLnF, 1, -10.20}, {varLnF, 2, -403.9}}},
	}},
	{Carry, record.Female, 28.6, 0.231, []factor{
		{"VSF", 1.1645, []term{{varV, 1, -4.437}}},
		{"DHSF", 1.0101, []term{{varDH, 1, -207.8}}},
		{"FSF", 0.6224, []term{{varLnF, 1, -16.33}}},
	}},
	{Carry, record.Male, 74.9, 0.278, []factor{
		{"VSF", 1.5505, []term{{varV, 1, -1.417}}},
		{"DHSF", 1.1172, []term{{varLnDH, 1, -6.332}}},
		{"FSF", 0.5149, []term{{varLnF, 1, -7.958}, {varLnF, 2, -131.1}}},
	}},
}
