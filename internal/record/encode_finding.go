package record

func (e *encoder) finding(f *Finding) {
	e.BeginObject()
	always(e, "capacities", f.Capacities, e.capacity)
	e.BoolField("complete", f.Complete)
	e.StringField("engine", f.Engine)
	if f.Job != nil {
		e.Key("job")
		e.job(f.Job)
	}
	if f.Overall != nil {
		e.Key("overall")
		e.zone(f.Overall)
	}
	list(e, "remarks", f.Remarks, e.remark)
	e.StringField("session_id", f.SessionID)
	e.IntField("session_revision", int64(f.SessionRevision))
	always(e, "zones", f.Zones, e.zone)
	e.EndObject()
}

func (e *encoder) capacity(c *Capacity) {
	e.BeginObject()
	e.IntField("accepted_trials", int64(c.AcceptedTrials))
	e.massOr("bracket_to", c.BracketTo)
	e.StringField("end_reason", string(c.EndReason))
	e.massOr("load", c.Load)
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
	if z.LimitingSeries != 0 {
		e.IntField("limiting_series", int64(z.LimitingSeries))
	}
	e.text("within", string(z.Within))
	e.massOr("within_up_to", z.WithinUpTo)
	e.StringField("zone", string(z.Zone))
	e.EndObject()
}

func (e *encoder) job(j *JobMatch) {
	e.BeginObject()
	e.StringField("demand", string(j.Demand))
	e.StringField("job_profile_id", j.JobProfileID)
	e.IntField("job_profile_revision", int64(j.JobProfileRevision))
	words(e, "missing", j.Missing)
	e.StringField("outcome", string(j.Outcome))
	always(e, "tasks", j.Tasks, e.task)
	e.StringField("title", j.Title)
	e.EndObject()
}

func (e *encoder) task(t *TaskMatch) {
	e.BeginObject()
	e.massOr("capacity", t.Capacity)
	e.mass("demand", t.Demand)
	e.StringField("pace", string(t.Pace))
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
