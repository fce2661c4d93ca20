// Package intake brings in what was recorded elsewhere: the old spreadsheets of a clinic, and patients with vital signs out of
// FHIR files. It looks first and stores nothing: who is known and who is new, which tests there are and what they say, and
// every problem by its cell. What is accepted then goes into the record in one go, all or none.
//
// A test that was brought in is its events, like any other. The first of them says from which file and row it came, and so does a
// fact of the visit. Its id follows from person, day and protocol, so that the same file once more adds nothing.
package intake
