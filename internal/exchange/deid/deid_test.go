package deid

import (
	"encoding/json"
	"fmt"
	"os"
	"reflect"
	"strconv"
	"testing"
)

// TestVectors tries the vectors for ages, dates, shifts, study days and postal codes.
func TestVectors(t *testing.T) {
	data, err := os.ReadFile("testdata/deidentification.json")
	if err != nil {
		t.Fatal(err)
	}
	var file struct {
		Vectors []struct {
			ID, Kind      string
			Input, Expect json.RawMessage
		}
	}
	if err := json.Unmarshal(data, &file); err != nil || len(file.Vectors) < 8 {
		t.Fatal(err, len(file.Vectors))
	}
	for _, v := range file.Vectors {
		got, err := answer(v.Kind, v.Input)
		var want any
		if err != nil || json.Unmarshal(v.Expect, &want) != nil {
			t.Errorf("%s: %v", v.ID, err)
			continue
		}
		text, _ := json.Marshal(got)
		var have any
		if json.Unmarshal(text, &have) != nil || !reflect.DeepEqual(have, want) {
			t.Errorf("%s: %s, want %s", v.ID, text, v.Expect)
		}
	}
}

func answer(kind string, input json.RawMessage) (any, error) {
	var two [2]string
	var dates struct {
		OffsetDays         int
		Dates              []string
		Reference          string
		Zip                string
		RestrictedPrefixes []string
	}
	switch kind {
	case "birthDate+refDate":
		if err := json.Unmarshal(input, &two); err != nil {
			return nil, err
		}
		age, year, err := Age(two[0], two[1])
		out := map[string]any{"age": age, "birthYear": year}
		if n, err := strconv.Atoi(age); err == nil {
			out["age"] = n
		} else {
			out["birthYear"] = nil
		}
		return out, err
	case "date":
		var date string
		if err := json.Unmarshal(input, &date); err != nil {
			return nil, err
		}
		year, err := Year(date)
		return map[string]any{"year": year}, err
	}
	if err := json.Unmarshal(input, &dates); err != nil {
		return nil, err
	}
	switch kind {
	case "shift":
		var out []string
		for _, d := range dates.Dates {
			s, err := Shift(d, dates.OffsetDays)
			if err != nil {
				return nil, err
			}
			out = append(out, s)
		}
		return out, nil
	case "studyDay":
		var out []int
		for _, d := range dates.Dates {
			n, err := StudyDay(dates.Reference, d)
			if err != nil {
				return nil, err
			}
			out = append(out, n)
		}
		return out, nil
	case "zip":
		return Zip(dates.Zip, dates.RestrictedPrefixes), nil
	}
	return nil, fmt.Errorf("no kind %q", kind)
}

// TestEdges tries the days around a birthday and what cannot be.
func TestEdges(t *testing.T) {
	for _, x := range []struct{ birth, on, age string }{{"1936-03-14", "2026-03-14", "90+"}, {"1936-03-15", "2026-03-14", "89"}, {"2008-02-29", "2026-02-28", "17"}} {
		if age, _, err := Age(x.birth, x.on); err != nil || age != x.age {
			t.Errorf("%s on %s: %s %v", x.birth, x.on, age, err)
		}
	}
	if _, _, err := Age("2026-03-15", "2026-03-14"); err == nil {
		t.Error("born after the test")
	}
	if _, err := StudyDay("2026-02-30", "2026-03-01"); err == nil {
		t.Error("30 February")
	}
	if z := Zip("03601", []string{"036"}); z != "000" {
		t.Error(z)
	}
	if z := Zip("1000", nil); z != "000" {
		t.Error(z)
	}
}
