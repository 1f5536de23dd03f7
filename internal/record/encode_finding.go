package record

func (e *encoder) finding(f *Finding) {
	e.BeginObject()
	always(e, "capacities", f.Capacities, e.capacity)
	e.BoolField("complete", f.Complete)
	object(e, "consistency", f.Consistency, e.consistency)
	e.StringField("engine", f.Engine)
	list(e, "hands", f.Hands, e.handStrength)
	object(e, "job", f.Job, e.job)
	list(e, "limits", f.Limits, e.limit)
	object(e, "overall", f.Overall, e.zone)
	list(e, "positions", f.Positions, e.positionTolerance)
	list(e, "projected", f.Projected, e.projected)
	list(e, "remarks", f.Remarks, e.remark)
	object(e, "screening", f.Screening, e.screeningFinding)
	e.StringField("session_id", f.SessionID)
	e.IntField("session_revision", int64(f.SessionRevision))
	always(e, "zones", f.Zones, e.zone)
	e.EndObject()
}

func (e *encoder) capacity(c *Capacity) {
	e.BeginObject()
	e.IntField("accepted_trials", int64(c.AcceptedTrials))
	object(e, "aerobic", c.Aerobic, e.aerobic)
	e.massOr("bracket_to", c.BracketTo)
	list(e, "ceilings", c.Ceilings, e.ceiling)
	e.StringField("end_reason", string(c.EndReason))
	e.massOr("load", c.Load)
	object(e, "mechanics", c.Mechanics, e.mechanics)
	e.StringField("pace", string(c.Pace))
	e.IntField("series_number", int64(c.SeriesNumber))
	e.IntField("total_trials", int64(c.TotalTrials))
	always(e, "trials", c.Trials, e.verdict)
	e.StringField("zone", string(c.Zone))
	e.EndObject()
}

func (e *encoder) verdict(v *TrialVerdict) {
	e.BeginObject()
	list(e, "guards", v.Guards, e.guard)
	e.IntField("number", int64(v.Number))
	e.StringField("status", string(v.Status))
	e.EndObject()
}

func (e *encoder) guard(g *GuardHit) {
	e.BeginObject()
	e.flag("ends", g.Ends)
	e.StringField("guard", g.Guard)
	e.text("limit", g.Limit)
	e.text("measured", g.Measured)
	e.flag("voids", g.Voids)
	e.EndObject()
}

func (e *encoder) zone(z *ZoneStrength) {
	e.BeginObject()
	e.StringField("basis", string(z.Basis))
	e.StringField("level", string(z.Level))
	e.text("limiting_pace", string(z.LimitingPace))
	e.unlessZero("limiting_series", z.LimitingSeries)
	e.text("within", string(z.Within))
	e.massOr("within_up_to", z.WithinUpTo)
	e.StringField("zone", string(z.Zone))
	e.EndObject()
}

func (e *encoder) job(j *JobMatch) {
	e.BeginObject()
	e.StringField("demand", string(j.Demand))
	list(e, "hands", j.Hands, e.handMatch)
	e.StringField("job_profile_id", j.JobProfileID)
	e.IntField("job_profile_revision", int64(j.JobProfileRevision))
	words(e, "missing", j.Missing)
	e.StringField("outcome", string(j.Outcome))
	list(e, "positions", j.Positions, e.positionMatch)
	words(e, "rests_on", j.RestsOn)
	always(e, "tasks", j.Tasks, e.task)
	e.StringField("title", j.Title)
	e.EndObject()
}

func (e *encoder) task(t *TaskMatch) {
	e.BeginObject()
	e.text("basis", string(t.Basis))
	e.massOr("capacity", t.Capacity)
	e.mass("demand", t.Demand)
	e.massOr("measurement_error", t.MeasurementError)
	e.StringField("pace", string(t.Pace))
	e.unlessZero("series_number", t.SeriesNumber)
	e.massOr("short_by", t.ShortBy)
	e.StringField("task", t.Task)
	e.StringField("verdict", string(t.Verdict))
	e.StringField("zone", string(t.Zone))
	e.EndObject()
}

func (e *encoder) remark(r *Remark) {
	e.BeginObject()
	e.StringField("code", r.Code)
	e.StringField("text", r.Text)
	e.EndObject()
}
