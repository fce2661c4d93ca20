// Package gatt turns the bytes of Bluetooth sensors into samples: heart rate and beat-to-beat intervals, the
// data of fitness machines, cycling power, speed and cadence, pulse oximeters, blood pressure monitors, scales.
//
// Most callers need [Decode], which picks the decoder by the characteristic's number. A fitness machine may
// spread one record over several notifications: pass what [Decode] returns through a [Merger]. Crank counters
// become a cadence in a [Tracker].
//
// Only values are read; nothing here writes to a device, so no load is ever set by the program. What a value
// means (is 240 /min plausible?) is judged later; raw numbers are kept. Bytes that are missing are an error and
// give no partial sample. Reserved flags and octets after the last field are counted in [Surplus] and change
// nothing. Where the order, width or unit of a field comes from is said at each decoder: "seen" was read in the
// Bluetooth SIG's definitions, "memory" was recalled and not checked. Names and types may still change.
package gatt
