package web

import (
	"encoding/json"
	"errors"
	"maps"
	"net/http"
	"slices"
	"strings"
	"time"

	"gradus/internal/intake"
	"gradus/internal/record"
)

// fillVitals takes mass and height over from another system where nothing else tells them.
func (s *Server) fillVitals(r *http.Request, p record.Participant, f *form, filled []string) ([]string, error) {
	fact, err := s.store.LastFact(r.Context(), p.ID, intake.FactVitals, "")
	if errors.Is(err, record.ErrNotFound) {
		return filled, nil
	}
	if err != nil {
		return filled, err
	}
	v := readVitals(fact)
	for _, x := range [][2]string{{"weight", "mass_kg"}, {"height", "height_cm"}} {
		one, there := v.Last(x[0])
		if e := f.at(x[1]); there && e.Value == "" {
			e.Value = num(one.Value)
			filled = append(filled, say("vitals.filled", e.Label(), dayText(one.When[:len(time.DateOnly)])))
		}
	}
	return filled, nil
}

func readVitals(f record.Fact) (v intake.Vitals) {
	_ = json.Unmarshal(f.JSON, &v) // what cannot be read is shown as nothing; the fact itself stays
	return v
}

// vitalLines are the values of another system, with where they came from.
func vitalLines(f record.Fact) (lines []slipLine) {
	v := readVitals(f)
	for _, x := range v.Values {
		value := num(x.Value)
		if x.Value2 > 0 {
			value += "/" + num(x.Value2)
		}
		text := value + thin + strings.NewReplacer("mm[Hg]", "mmHg", "{score}", "").Replace(x.Unit)
		if x.Minute > 0 {
			text += ", " + say("vitals.minute", num(x.Minute))
		}
		if x.Note != "" {
			text += " (" + x.Note + ")"
		}
		lines = append(lines, slipLine{or(english["vitals."+x.Kind], strings.ReplaceAll(x.Kind, "-", " ")), text})
	}
	return append(lines, slipLine{say("bringin.from"), v.Text()})
}

// originLines say from where a test was brought in.
func originLines(f record.Fact) []slipLine {
	var o intake.Origin
	_ = json.Unmarshal(f.JSON, &o) // as above
	lines := []slipLine{{say("bringin.from"), o.Text()}, {say("bringin.test"), o.Test}, {say("bringin.mapping"), o.Mapping}, {say("bringin.digest"), o.Digest}}
	for _, name := range slices.Sorted(maps.Keys(o.Said)) {
		lines = append(lines, slipLine{columnText(name), o.Said[name]})
	}
	return lines
}
