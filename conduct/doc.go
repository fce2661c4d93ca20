// Package conduct runs a submaximal exercise test: events in, state out, and at every moment what the
// examiner should do next, with the rule that led to it.
//
// A test is its events. [Replay] folds them into a [State]; a live host gives new ones to [Apply]. The host
// does the world's work, in this order, whenever something happens or a second has passed:
//
//	for {
//		act, ok := state.Due(p, now)  // an act that follows from a rule and needs no hand
//		if !ok { break }
//		record(act)                   // give it the id state.NextID(), store it, Apply it
//	}
//	show(conduct.Next(p, &state, now))
//
// The package knows no clock, file or network; test time comes with the events. The same code runs in the
// browser, on the server, in replay, in the check of protocols and in the scoring of typed data sheets.
// It never goes past a limit or a stop sign silently: whatever the examiner does is recorded, and what was
// not as planned is listed by [Departures].
//
// Events and their meaning are stable; the state may gain fields.
package conduct
