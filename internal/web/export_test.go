package web

// Drive rides a test that has begun, with an invented participant and an examiner who follows every instruction.
var Drive = drive
