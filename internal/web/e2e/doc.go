// Package e2e tries the pages in a real browser: whole tests by the invented participant, failures of the server,
// the network and the tab, the keyboard alone, and what a screen reader meets. The program is built once, as it is
// released; the browser is Chromium.
//
// Screenshots are written to the folder in GRADUS_SHOTS, when it is set.
package e2e
