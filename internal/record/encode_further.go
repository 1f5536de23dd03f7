package record

func (e *encoder) body(b *BodyMeasures) {
	e.BeginObject()
	e.massOr("body_mass", b.Mass)
	e.unlessZero("stature_mm", b.StatureMM)
	e.EndObject()
}

func (e *encoder) handSeries(s *HandSeries) {
	e.BeginObject()
	e.answer("dominant", s.Dominant)
	e.StringField("hand", string(s.Hand))
	e.text("instrument", s.Instrument)
	e.text("instrument_verified_on", s.InstrumentVerifiedOn)
	e.StringField("measure", string(s.Measure))
	e.text("note", s.Note)
	e.IntField("number", int64(s.Number))
	e.StringField("procedure", string(s.Procedure))
	always(e, "trials", s.Trials, e.handTrial)
	e.EndObject()
}

func (e *encoder) handTrial(t *HandTrial) {
	e.BeginObject()
	e.StringField("at", t.At.String())
	e.rating(t.Effort)
	e.unlessZero("handle_position", t.Position)
	e.IntField("number", int64(t.Number))
	e.mass("reading", t.Reading)
	words(e, "symptoms", t.Symptoms)
	e.EndObject()
}

func (e *encoder) positionSeries(s *PositionSeries) {
	e.BeginObject()
	list(e, "bouts", s.Bouts, e.bout)
	e.text("note", s.Note)
	e.IntField("number", int64(s.Number))
	e.StringField("position", string(s.Position))
	e.StringField("rating", string(s.Rating))
	e.EndObject()
}

func (e *encoder) bout(b *Bout) {
	e.BeginObject()
	e.IntField("asked_seconds", int64(b.AskedSeconds))
	e.StringField("at", b.At.String())
	e.rating(b.Effort)
	e.StringField("ended_by", string(b.EndedBy))
	e.number("heart_rate", b.HeartRate)
	e.IntField("kept_seconds", int64(b.KeptSeconds))
	e.IntField("number", int64(b.Number))
	words(e, "symptoms", b.Symptoms)
	e.EndObject()
}

func (e *encoder) screeningFinding(s *ScreeningFinding) {
	e.BeginObject()
	list(e, "guards", s.Guards, e.guard)
	words(e, "missing", s.Missing)
	e.StringField("status", string(s.Status))
	e.EndObject()
}

func (e *encoder) mechanics(m *MechanicsChange) {
	e.BeginObject()
	e.mass("end_load", m.EndLoad)
	e.IntField("end_trial", int64(m.EndTrial))
	e.IntField("highest_grade", int64(m.HighestGrade))
	e.mass("onset_load", m.OnsetLoad)
	e.IntField("onset_trial", int64(m.OnsetTrial))
	wordsAlways(e, "signs", m.Signs)
	e.EndObject()
}

func (e *encoder) ceiling(c *LoadCeiling) {
	e.BeginObject()
	e.StringField("basis", string(c.Basis))
	e.massOr("load", c.Load)
	e.StringField("text", c.Text)
	e.EndObject()
}

func (e *encoder) aerobic(a *AerobicDemand) {
	e.BeginObject()
	e.StringField("percent_of_reserve", a.PercentOfReserve)
	e.StringField("source", a.Source)
	e.IntField("steady_heart_rate", int64(a.SteadyHeartRate))
	e.StringField("sustainable_for", a.SustainableFor)
	e.IntField("trial", int64(a.Trial))
	e.EndObject()
}

func (e *encoder) projected(p *ProjectedCapacity) {
	e.BeginObject()
	e.StringField("from_pace", string(p.FromPace))
	e.IntField("from_series", int64(p.FromSeries))
	e.mass("load", p.Load)
	e.StringField("pace", string(p.Pace))
	e.IntField("percent", int64(p.Percent))
	e.StringField("source", p.Source)
	e.StringField("zone", string(p.Zone))
	e.EndObject()
}

func (e *encoder) consistency(c *Consistency) {
	e.BeginObject()
	e.IntField("agree", int64(c.Agree))
	e.IntField("assessed", int64(c.Assessed))
	e.StringField("caution", c.Caution)
	e.IntField("disagree", int64(c.Disagree))
	always(e, "indicators", c.Indicators, e.indicator)
	e.IntField("mixed", int64(c.Mixed))
	e.IntField("not_assessed", int64(c.NotAssessed))
	always(e, "rules", c.Rules, e.indicatorRule)
	e.StringField("summary", c.Summary)
	e.EndObject()
}

func (e *encoder) indicator(i *Indicator) {
	e.BeginObject()
	e.StringField("kind", i.Kind)
	e.text("method", i.Method)
	e.text("p", i.P)
	e.unlessZero("pairs", i.Pairs)
	e.text("reason", i.Reason)
	e.unlessZero("series_number", i.Series)
	e.text("slope", i.Slope)
	e.text("slope_unit", i.SlopeUnit)
	e.StringField("state", string(i.State))
	e.text("unit", i.Unit)
	e.text("value", i.Value)
	e.EndObject()
}

func (e *encoder) indicatorRule(r *IndicatorRule) {
	e.BeginObject()
	e.text("critique", r.Critique)
	e.StringField("expected", r.Expected)
	e.StringField("kind", r.Kind)
	e.StringField("source", r.Source)
	e.StringField("threshold", r.Threshold)
	e.EndObject()
}

func (e *encoder) handStrength(h *HandStrength) {
	e.BeginObject()
	e.StringField("hand", string(h.Hand))
	e.StringField("measure", string(h.Measure))
	list(e, "norms", h.Norms, e.norm)
	e.StringField("procedure", string(h.Procedure))
	e.IntField("series_number", int64(h.SeriesNumber))
	e.mass("strength", h.Strength)
	e.IntField("trials", int64(h.Trials))
	e.text("variation_percent", h.VariationPercent)
	e.EndObject()
}

func (e *encoder) norm(n *NormStanding) {
	e.BeginObject()
	e.text("bound", n.Bound)
	e.StringField("norm", n.Norm)
	e.StringField("percentile", n.Percentile)
	e.StringField("source", n.Source)
	e.EndObject()
}

func (e *encoder) positionTolerance(p *PositionTolerance) {
	e.BeginObject()
	e.unlessZero("asked_seconds", p.AskedSeconds)
	e.unlessZero("kept_seconds", p.KeptSeconds)
	e.unlessZero("longest_seconds", p.LongestSeconds)
	e.text("observed", string(p.Observed))
	e.StringField("position", string(p.Position))
	e.StringField("rating", string(p.Rating))
	e.IntField("series_number", int64(p.SeriesNumber))
	e.StringField("tolerance", string(p.Tolerance))
	e.EndObject()
}

func (e *encoder) limit(l *WorkLimit) {
	e.BeginObject()
	e.text("basis", string(l.Basis))
	e.StringField("kind", string(l.Kind))
	e.unlessZero("series_number", l.SeriesNumber)
	e.StringField("text", l.Text)
	e.EndObject()
}

func (e *encoder) positionMatch(p *PositionMatch) {
	e.BeginObject()
	e.StringField("demand", string(p.Demand))
	e.StringField("position", string(p.Position))
	e.unlessZero("series_number", p.SeriesNumber)
	e.text("tolerance", string(p.Tolerance))
	e.StringField("verdict", string(p.Verdict))
	e.EndObject()
}

func (e *encoder) handMatch(h *HandMatch) {
	e.BeginObject()
	e.mass("demand", h.Demand)
	e.StringField("hand", string(h.Hand))
	e.StringField("measure", string(h.Measure))
	e.StringField("name", h.Name)
	e.unlessZero("series_number", h.SeriesNumber)
	e.massOr("short_by", h.ShortBy)
	e.massOr("strength", h.Strength)
	e.StringField("verdict", string(h.Verdict))
	e.EndObject()
}
