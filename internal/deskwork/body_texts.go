package deskwork

import "ponderal.example/internal/record"

const fractionSource = "A share of body mass as a ceiling: the published progressive protocol ends at 55 to 60 % (Mayer and others, Spine 1988;13(9):993-997, via a handbook)."

// compressionLeavesOut is what the model of compression does not know.
func compressionLeavesOut() []string {
	return []string{
		"movement: acceleration raises the peak, often by half or more",
		"twisting, bending to the side, handling with one hand",
		"other muscles that tighten at the same time, the pressure in the abdomen, ligaments",
		"the curve of the spine and the tilt of the sacrum",
		"shear that the tissue bears",
		"fatigue and repetition",
		"age, sex, bone and earlier injury",
		"all in which one body differs from the proportions of an average",
		"other ways to lift: the knees stay straight until the trunk is level",
	}
}

func bodySources() []string {
	return []string{
		"Segments: Winter, Biomechanics and motor control of human movement, 4th ed. 2009, figure 4.1 (after Drillis and Contini 1966) and table 4.1 (after Dempster 1955). " +
			"The heights of eye, chin, wrist and fingertip are from memory.",
		"Stations: the landmarks' heights are published; which landmark stands for which station is common practice, no source. The floor is 15 cm, the hands at a tote.",
		"Criterion of 3400 N: NIOSH 81-122 (1981) and Waters and others, Ergonomics 1993;36(7):749-776. The 6400 N of 1981 is its maximum permissible limit.",
		"Lever arm of 50 mm: the most cautious of the figures in textbooks (50 to 60 mm), from memory; OpenStax, College Physics 2e, section 9.6 has 80 mm.",
		"Balance of moments and forces: OpenStax, College Physics 2e, section 9.6.",
	}
}

func bodyCautions() []record.Remark {
	return []record.Remark{judgement(),
		{Code: "estimate_not_limit", Text: "The compression is an estimate for an average body that holds still. The criterion is a reference for the design of work, not a safe limit for a person: " +
			"a cross-validation judged that 3400 N does not protect most workers (Ergonomics 1995;38(12):2455-2464)."},
		{Code: "signs_come_first", Text: "An estimate below the criterion never overrules a sign, a symptom or a clinician."},
		{Code: "set_to_person", Text: "Station heights follow from the stature alone. Set the shelf to the person."},
	}
}
