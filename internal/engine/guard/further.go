package guard

import (
	"ponderal.example/internal/engine/heartrate"
	"ponderal.example/internal/record"
)

// Input is what limits depend on by rules 2. Protocol is needed. Body is nil where nothing was measured, Kit where the series names none or it
// is not known: then nothing is said of a calibration.
type Input struct {
	Protocol  *record.Protocol
	Person    record.Person
	Screening record.Screening
	Body      *record.BodyMeasures
	Zone      record.Zone
	Kit       *record.Kit
}

// LimitsFor works out the limits by rules 2: those of LimitsOf with every formula, the ceilings that depend on the person, the heart rate
// with which a trial may begin, and the age of the weighing of what the load was made of. The limits read the kit until their last use.
//
// A ceiling that cannot be worked out holds no trial open: it is among Ceilings with what it lacks, for the reviewer to weigh.
func LimitsFor(in Input) Limits {
	p := in.Protocol
	l := limitsOf(p, in.Screening)
	l.ceilings.protocol(p)
	if p.PercentOfBodyMass != 0 {
		l.ceilings.ofBodyMass(p.PercentOfBodyMass, in.Body)
	}
	if p.Compression != nil {
		l.ceilings.ofCompression(p.Compression, in.Body, in.Zone)
	}
	if p.HeartRateLimit != nil {
		l.work(*p.HeartRateLimit, in.Person, in.Screening)
	}
	if p.HeartRateStartLimit != nil {
		l.limitsStartRate = true
		l.startRate, l.startMissing = heartrate.Limit(*p.HeartRateStartLimit, in.Person, in.Screening.RestingHeartRate)
	}
	if p.Calibration != nil {
		l.calibration = calibrationOf(p.Calibration, in.Kit)
	}
	return l
}

// LimitsStartRate reports whether the protocol limits the heart rate with which a trial may begin.
func (l *Limits) LimitsStartRate() bool { return l.limitsStartRate }

// StartRateMissing names what that limit lacks; empty when it is known or there is none.
func (l *Limits) StartRateMissing() heartrate.Missing { return l.startMissing }

// BlocksCalibration reports whether a piece that was weighed too long ago should have kept a trial from being done.
func (l *Limits) BlocksCalibration() bool { return l.calibration.blocks }

// shouldHaveWaited appends the limits that hold before a trial and were not respected.
func (l *Limits) shouldHaveWaited(hits []record.GuardHit, t *record.Trial) []record.GuardHit {
	if t.StartHeartRate != nil && l.limitsStartRate && l.startMissing == "" && l.startRate.Above(*t.StartHeartRate) {
		hits = append(hits, heartRateHit(record.GuardHeartRateStart, *t.StartHeartRate, l.startRate, false))
	}
	if text := l.calibration.lapsedText(t); text != "" {
		hits = append(hits, record.GuardHit{Guard: record.GuardCalibration, Measured: text, Limit: l.calibration.limitText()})
	}
	return hits
}
