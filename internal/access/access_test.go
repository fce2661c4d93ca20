package access_test

import (
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"gradus/internal/access"
)

// The table in the document is the one that the program goes by.
func TestDocumentShowsTheTable(t *testing.T) {
	text, err := os.ReadFile(filepath.Join("..", "..", "docs", "security.md"))
	if err != nil {
		t.Fatal(err)
	}
	for _, line := range access.Table() {
		row := "| " + string(line.Right) + " |"
		for _, role := range access.Roles {
			yes := ""
			if slices.Contains(line.Roles, role) {
				yes = "yes"
			}
			row += " " + yes + " |"
		}
		if row += " " + line.Means + " |"; !strings.Contains(string(text), row+"\n") {
			t.Errorf("docs/security.md lacks the row\n%s", row)
		}
	}
}

func TestRolesAsWritten(t *testing.T) {
	if roles, err := access.ParseRoles("Clinician, administrator clinician"); err != nil || !slices.Equal(roles, []string{"clinician", "administrator"}) {
		t.Error(roles, err)
	}
	for _, bad := range []string{"", "owner", "boss", "clinician,owner"} {
		if roles, err := access.ParseRoles(bad); err == nil {
			t.Errorf("%q gives %v", bad, roles)
		}
	}
	if (access.Principal{Roles: []access.Role{"boss"}}).May(access.Read) || (access.Principal{}).May(access.Read) {
		t.Error("an unknown role has a right")
	}
	if !access.Single("").May(access.Overrule) || (access.Principal{Roles: []access.Role{access.Student, access.Clinician}}).Learning() {
		t.Error("the owner lacks a right, or a clinician counts as a student")
	}
}
