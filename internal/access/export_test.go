package access

import (
	"time"

	"gradus/internal/record"
)

// GuardedAt is Guarded with a clock.
func GuardedAt(store record.Store, now func() time.Time) record.Store {
	w := watch(&guarded{store: store}, store)
	w.now = now
	return w
}

// Hotp is the code of a counter.
var Hotp = hotp

// ParsePHC takes the form apart in which a password is kept.
var ParsePHC = parsePHC
