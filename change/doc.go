// Package change says whether two tests of one person differ by more than their error, whether the difference
// is large enough to matter, and how sure that is: three statements, kept apart.
//
// [Between] compares two tests, [Series] lays out many. The error is that of a repeated test in people who did
// not change, never the equation's error between people. Where drug, rhythm, protocol, machine or equation
// differ, no verdict is given, and the reason is. The API may change.
package change
