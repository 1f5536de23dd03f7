package record

func (e *encoder) trial(t *Trial) {
	e.BeginObject()
	e.StringField("at", t.At.String())
	e.flag("blinded", t.Blinded)
	e.text("closed_reason", t.ClosedReason)
	e.rating(t.Effort)
	e.number("heart_rate", t.HeartRate)
	object(e, "heart_rate_trace", t.Trace, e.trace)
	words(e, "insert_codes", t.InsertCodes)
	e.mass("load", t.Load)
	e.answer("more_possible", t.MorePossible)
	e.IntField("number", int64(t.Number))
	e.IntField("repetitions", int64(t.Repetitions))
	list(e, "signs", t.Signs, e.sign)
	e.number("start_heart_rate", t.StartHeartRate)
	e.number("steady_heart_rate", t.SteadyHeartRate)
	e.answer("sustainable", t.Sustainable)
	words(e, "symptoms", t.Symptoms)
	e.EndObject()
}

// effort writes the number itself; a half has one decimal.
func (e *encoder) effort(name string, v Effort) {
	if v%2 == 0 {
		e.IntField(name, int64(v)/2)
		return
	}
	e.RawField(name, []byte(v.String()))
}

func (e *encoder) sign(s *MechanicsSign) {
	e.BeginObject()
	e.IntField("grade", int64(s.Grade))
	e.StringField("sign", string(s.Sign))
	e.EndObject()
}

func (e *encoder) session(s *Session) {
	e.BeginObject()
	object(e, "body", s.Body, e.body)
	e.StringField("clinic_id", s.ClinicID)
	e.StringField("ended_at", s.EndedAt.String())
	e.StringField("evaluator_id", s.EvaluatorID)
	list(e, "hand_series", s.HandSeries, e.handSeries)
	e.StringField("id", s.ID)
	list(e, "position_series", s.PositionSeries, e.positionSeries)
	e.StringField("referral_id", s.ReferralID)
	e.Key("screening")
	e.screening(&s.Screening)
	always(e, "series", s.Series, e.series)
	e.StringField("started_at", s.StartedAt.String())
	e.EndObject()
}

func (e *encoder) screening(s *Screening) {
	e.BeginObject()
	e.number("diastolic", s.Diastolic)
	e.text("override_by", s.OverrideBy)
	e.text("override_reason", s.OverrideReason)
	e.flag("rate_limiting_drug", s.RateLimitingDrug)
	e.number("resting_heart_rate", s.RestingHeartRate)
	words(e, "symptoms", s.Symptoms)
	e.number("systolic", s.Systolic)
	e.EndObject()
}

func (e *encoder) series(s *Series) {
	e.BeginObject()
	e.text("kit_id", s.KitID)
	e.IntField("number", int64(s.Number))
	e.StringField("pace", string(s.Pace))
	e.StringField("protocol_digest", s.ProtocolDigest)
	e.text("stop", string(s.Stop))
	e.text("stop_note", s.StopNote)
	list(e, "trials", s.Trials, e.trial)
	e.StringField("zone", string(s.Zone))
	e.EndObject()
}
