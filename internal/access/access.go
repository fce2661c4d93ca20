// Package access says who acts and what that person may do: roles and their rights as one table, the principal in the
// context of a request, and a store that gives nobody more than the principal's rights.
//
// Whatever is not granted is refused. People and tests of another site are not refused but unknown: the answer is the
// same as for a number that was never given. The package also makes and checks passwords, one-time codes and the random
// words behind sessions; it keeps nothing itself.
package access

import (
	"context"
	"embed"
	"fmt"
	"slices"
	"strings"
	"sync"

	"gradus/datatable"
	"gradus/internal/audit"
	"gradus/internal/record"
)

//go:embed tables
var tables embed.FS

// Role is a word of the table.
type Role string

// The roles. Owner is the single user of a record without accounts and may do everything; it can be given to nobody.
const (
	Student       Role = "student"
	Clinician     Role = "clinician"
	SiteLead      Role = "site-lead"
	Researcher    Role = "researcher"
	Administrator Role = "administrator"
	Owner         Role = "owner"
)

// Roles are those that an account may have.
var Roles = []Role{Student, Clinician, SiteLead, Researcher, Administrator}

// Right is one line of the table.
type Right string

// The rights; the table says what each means.
const (
	See      Right = "see"
	Enter    Right = "enter"
	Decide   Right = "decide"
	Sign     Right = "countersign"
	Machines Right = "machines"
	Plans    Right = "protocols"
	Read     Right = "read"
	Research Right = "research"
	OwnSite  Right = "site"
	Erase    Right = "erase"
	Overrule Right = "overrule"
	Accounts Right = "accounts"
)

// Line is a right with its meaning and who has it.
type Line struct {
	Right Right
	Means string
	Roles []Role
}

// Table is the whole table in its order.
var Table = sync.OnceValue(func() (lines []Line) {
	for _, row := range datatable.Rows(tables, "rights") {
		line := Line{Right: Right(row["right"]), Means: row["means"]}
		for _, role := range Roles {
			switch row[string(role)] {
			case "yes":
				line.Roles = append(line.Roles, role)
			case "":
			default:
				panic("access: rights.csv: neither yes nor empty: " + row["right"])
			}
		}
		lines = append(lines, line)
	}
	return lines
})

// granted is the table by role.
var granted = sync.OnceValue(func() map[Role]map[Right]bool {
	all := map[Role]map[Right]bool{Owner: {}}
	for _, line := range Table() {
		all[Owner][line.Right] = true
		for _, role := range line.Roles {
			if all[role] == nil {
				all[role] = map[Right]bool{}
			}
			all[role][line.Right] = true
		}
	}
	return all
})

// Principal is who acts.
type Principal struct {
	Account int64  // 0: the owner of a record without accounts
	Name    string // as papers and pages show it
	Roles   []Role
	Site    int64  // 0: every site
	Session string // hash of the session's token; "" without one
}

// Single is the principal of a record that one person uses.
func Single(name string) Principal { return Principal{Name: name, Roles: []Role{Owner}} }

// Of is the principal of an account. Roles that the table does not know grant nothing.
func Of(a record.Account, session string) Principal {
	p := Principal{Account: a.ID, Name: a.Name, Site: a.Site, Session: session}
	for _, word := range a.Roles {
		if r := Role(word); slices.Contains(Roles, r) {
			p.Roles = append(p.Roles, r)
		}
	}
	return p
}

// May reports whether a principal has a right by any of its roles.
func (p Principal) May(r Right) bool {
	return slices.ContainsFunc(p.Roles, func(role Role) bool { return granted()[role][r] })
}

// Learning reports whether what the principal does counts only when countersigned.
func (p Principal) Learning() bool { return slices.Contains(p.Roles, Student) && !p.May(Sign) }

// ParseRoles reads roles as a person writes them, with commas or spaces between.
func ParseRoles(text string) (roles []string, err error) {
	for _, word := range strings.FieldsFunc(strings.ToLower(text), func(r rune) bool { return r == ',' || r == ' ' }) {
		if !slices.Contains(Roles, Role(word)) {
			return nil, fmt.Errorf("role %q is none of student, clinician, site-lead, researcher, administrator", word)
		}
		if !slices.Contains(roles, word) {
			roles = append(roles, word)
		}
	}
	if len(roles) == 0 {
		return nil, fmt.Errorf("no role is named; known are student, clinician, site-lead, researcher, administrator")
	}
	return roles, nil
}

type key struct{}

// With says who acts from here on, to the audit trail as well.
func With(ctx context.Context, p Principal) context.Context {
	return audit.With(context.WithValue(ctx, key{}, p), p.who())
}

// who is a principal as the audit trail names it: by number, with the beginning of its session's hash.
func (p Principal) who() audit.Who {
	w := audit.Who{Actor: "owner", Session: p.Session[:min(len(p.Session), 12)]}
	if p.Account != 0 {
		w.Actor = fmt.Sprintf("account/%d", p.Account)
	}
	return w
}

// From is who acts, if anybody is said to.
func From(ctx context.Context) (Principal, bool) {
	p, ok := ctx.Value(key{}).(Principal)
	return p, ok
}

// NobodyError says that nobody has signed in.
type NobodyError struct{}

func (*NobodyError) Error() string { return "nobody has signed in; sign in first" }

// RefusedError says that a principal lacks a right.
type RefusedError struct {
	Right Right
	Name  string
}

func (e *RefusedError) Error() string {
	means := ""
	for _, line := range Table() {
		if line.Right == e.Right {
			means = " (" + line.Means + ")"
		}
	}
	return fmt.Sprintf("the role of this account does not allow it: it needs the right %q%s", e.Right, means)
}

// Need returns who acts when that principal has a right.
func Need(ctx context.Context, r Right) (Principal, error) {
	p, ok := From(ctx)
	switch {
	case !ok:
		return p, &NobodyError{}
	case !p.May(r):
		return p, &RefusedError{r, p.Name}
	}
	return p, nil
}
