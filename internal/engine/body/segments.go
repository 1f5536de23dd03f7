package body

// Segment is a part of the body with its share of the body mass and its centre of mass.
type Segment struct {
	Name string
	// MassFraction is of the whole body; for a limb of one side.
	MassFraction float64
	// COMFromProximal is where the centre of mass lies, as a share of the segment's length from its proximal end (of the trunk and what
	// is above it: from the hip).
	COMFromProximal float64
}

// segments are those of Winter's table 4.1 (after Dempster 1955).
var segments = []Segment{
	{"hand", 0.006, 0.506},
	{"forearm", 0.016, 0.430},
	{"upper arm", 0.028, 0.436},
	{"forearm and hand", 0.022, 0.682},
	{"total arm", 0.050, 0.530},
	{"foot", 0.0145, 0.50},
	{"leg (shank)", 0.0465, 0.433},
	{"thigh", 0.100, 0.433},
	{"foot and leg", 0.061, 0.606},
	{"total leg", 0.161, 0.447},
	{"head and neck", 0.081, 1.000},
	{"thorax", 0.216, 0.82},
	{"abdomen", 0.139, 0.44},
	{"pelvis", 0.142, 0.105},
	{"thorax and abdomen", 0.355, 0.63},
	{"abdomen and pelvis", 0.281, 0.27},
	{"trunk", 0.497, 0.50},
	{"trunk head neck", 0.578, 0.66},
	{"head arms trunk", 0.678, 0.626},
}

// Segments returns the table.
func Segments() []Segment { return append([]Segment(nil), segments...) }

// What the model makes of the table. The parting plane of the table is between L4 and L5, the closest to L5/S1 that it has.
const (
	trunkHeadNeck    = 0.578
	trunkHeadNeckCOM = 0.66
	pelvis           = 0.142
	pelvisCOM        = 0.895 // from the hip, of the pelvis' length
	arms             = 2 * 0.050
	armCOM           = 0.530 // from the shoulder, of the length to the wrist

	// upperTrunk is the mass of trunk, head and neck above the joint.
	upperTrunk = trunkHeadNeck - pelvis

	// jointUp is how far L5/S1 lies up the line from hip to shoulder: from memory, about a fifth in textbook models.
	jointUp = 0.20

	// upperTrunkCOM is the centre of that mass, from the hip, as a share of the line from hip to shoulder; the pelvis is as long as
	// jointUp.
	upperTrunkCOM = (trunkHeadNeck*trunkHeadNeckCOM - pelvis*pelvisCOM*jointUp) / upperTrunk

	// armReach is the length from shoulder to grip, in shares of stature, and armCOMShare where on it the arms' mass lies.
	armReach    = (upperArm + forearm + gripPoint) / 1000.0
	armCOMShare = armCOM * (upperArm + forearm) / (upperArm + forearm + gripPoint)
)
