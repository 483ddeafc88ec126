package analysis

// Basis says how an input of an uncertainty budget is known.
type Basis string

// The bases. ByStatement: somebody stated the input, in a configuration or a certificate.
// ByMeasurement: the input was measured here. ByAssumption: the usual value of the input is
// assumed.
const (
	ByStatement   Basis = "stated"
	ByMeasurement Basis = "measured"
	ByAssumption  Basis = "assumed"
)
