package audit

import "context"

// Who acts, as entries name it.
type Who struct {
	Actor   string // such as account/2, owner or command
	Session string // of a browser; it opens nothing
}

// System is who acts where nobody is named: the program itself.
var System = Who{Actor: "system"}

type whoKey struct{}

// With names who acts in what is done with the context.
func With(ctx context.Context, w Who) context.Context { return context.WithValue(ctx, whoKey{}, w) }

// From is who acts.
func From(ctx context.Context) Who {
	if w, ok := ctx.Value(whoKey{}).(Who); ok {
		return w
	}
	return System
}
