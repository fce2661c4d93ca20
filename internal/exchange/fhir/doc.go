// Package fhir writes a test as HL7 FHIR R4 (4.0.1), reads patients and vital signs out of such files, and checks them.
//
// [Write] makes one transaction Bundle: the person, the test, its readings, the estimate with its error, the report and
// the plan. An estimate always carries a code of our own first, so that no reader takes it for a measurement.
// [Check] finds what a schema finds and the rules that no schema shows; [Import] reads back what was sent by us or others.
//
// Equal input gives equal bytes: every moment comes from the test, every id from its content.
package fhir
