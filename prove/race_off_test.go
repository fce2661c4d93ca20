//go:build !race

package prove_test

// raceDetector tells whether the tests were built with it.
const raceDetector = false
