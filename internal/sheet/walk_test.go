package sheet

import (
	"os"
	"testing"

	"gradus/change"
)

// A test whose outcome is a distance is compared by it.
func TestVisitOfAWalk(t *testing.T) {
	file, err := os.Open("../../demo/families.csv")
	if err != nil {
		t.Fatal(err)
	}
	defer file.Close()
	walks := 0
	for _, s := range Score([]*Sheet{Read("families.csv", file)}, today.AddDate(1, 0, 0), shipped).Tests {
		v := s.Visit()
		if s.Protocol.ID != "six-minute-walk" {
			if s.Protocol.Outcome.What != "distance" && v.Unit == change.Metres {
				t.Errorf("%s is compared in metres", s.ID)
			}
			continue
		}
		walks++
		if v.Value != 412 || v.Unit != change.Metres || v.CourseM != 30 || v.Loads != nil || v.Inputs == nil {
			t.Errorf("%+v", v)
		}
	}
	if walks == 0 {
		t.Error("the demo sheet has no six-minute walk")
	}
}
