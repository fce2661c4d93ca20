// Package prescribe turns a test into an exercise plan: how hard, how long, how often, on which machine.
//
// [For] is the way in. It gives the same intensity as heart rate, exertion, oxygen uptake and work rate, each
// with its error, and says which of them may lead. Work rates for the tested machine come from the person's
// own heart-rate line; metabolic equations answer only inside their range, and none is used for the recumbent
// stepper. It informs; the clinician decides and edits. The API may change.
package prescribe
