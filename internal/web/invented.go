package web

import (
	"context"
	"slices"
	"strconv"
	"time"

	"gradus/conduct"
	"gradus/internal/record"
	"gradus/simulate"
)

// invented are the people of the demonstration. Nobody real is meant; each answers with the body of
// simulate.Invented in the same place.
var invented = []record.Participant{
	{Code: "DEMO-1", Name: "R. Alder (invented)", BirthDate: "1967-04-12", Sex: conduct.Female},
	{Code: "DEMO-2", Name: "M. Birch (invented)", BirthDate: "1954-09-30", Sex: conduct.Male},
	{Code: "DEMO-3", Name: "J. Cedar (invented)", BirthDate: "1989-01-22", Sex: conduct.Female},
}

// Invent fills an empty store with the people of the demonstration.
func Invent(ctx context.Context, store record.Store) error {
	var people []record.Participant
	for _, p := range invented {
		p.Note = say("demo.note")
		stored, err := store.AddParticipant(ctx, p)
		if err != nil {
			return err
		}
		people = append(people, stored)
	}
	return inventVisits(ctx, store, people, time.Now())
}

// inventedSizes are mass in kg and height in cm of the invented people.
var inventedSizes = [][2]float64{{71.5, 168}, {84, 176}, {62, 171}}

// fillInvented fills the prepare form for one of the invented people, so that a test can begin at once. The resting
// heart rate and the cadence are those of the body that will answer.
func fillInvented(f *form, code string) {
	i := slices.IndexFunc(invented, func(p record.Participant) bool { return p.Code == code })
	if i < 0 {
		return
	}
	body := simulate.Invented[i]
	for name, v := range map[string]float64{"mass_kg": inventedSizes[i][0], "height_cm": inventedSizes[i][1], "rest_hr_bpm": body.RestHR, "target_cadence_per_min": body.Cadence} {
		f.at(name).Value = strconv.FormatFloat(v, 'f', -1, 64)
	}
	for name, word := range map[string]string{"rate_limiting_drug": "no", "rhythm": "sinus", "blood_pressure": "none"} {
		f.at(name).Value = word
	}
	equipment := f.at("equipment")
	for _, o := range equipment.Options {
		equipment.Values = append(equipment.Values, o.Value)
	}
}
