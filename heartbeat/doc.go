// Package heartbeat turns what a sensor sends, intervals between beats or one heart rate a second, into the
// heart rate that a decision of a test may rest on.
//
// Most callers need a [Window]: add each notification, ask for a [Reading] at the moment of the reading. It is the
// mean over the last seconds after implausible beats are dropped, with how many were used and whether the quality
// allows it to be taken without a look. A whole recording goes through [Clean] and [Rate]. [LockWatch] notices a
// sensor that may be counting steps instead of beats; it only hints.
//
// Intervals are averaged, not rates, since the mean of rates is too high. The rules hold for a regular rhythm;
// see [Window] for others. Arithmetic is + - * / alone, so browser and server give the same bits. Names and types
// may still change.
package heartbeat
