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

// invented are the people of the demonstration. Nobody real is meant; each answers with the body that inventedFor picks.
// The last two were here before; their years are those of inventedYears on every day.
var invented = []record.Participant{
	{Code: "DEMO-1", Name: "R. Alder (invented)", BirthDate: "1967-04-12", Sex: conduct.Female},
	{Code: "DEMO-2", Name: "M. Birch (invented)", BirthDate: "1954-09-30", Sex: conduct.Male},
	{Code: "DEMO-3", Name: "J. Cedar (invented)", BirthDate: "1989-01-22", Sex: conduct.Female},
	{Code: "DEMO-4", Name: "P. Dogwood (invented)", Sex: conduct.Male},
	{Code: "DEMO-5", Name: "S. Elder (invented)", Sex: conduct.Female},
}

// inventedYears are the ages of those whose past tests hold it.
var inventedYears = map[int]float64{3: 52, 4: 52}

// Invent fills an empty store with the people of the demonstration.
func Invent(ctx context.Context, store record.Store) error {
	now := time.Now()
	var people []record.Participant
	for i, p := range invented {
		p.Note = say("demo.note")
		if years, ok := inventedYears[i]; ok {
			p.BirthDate = now.AddDate(-int(years), 0, -200).Format(time.DateOnly)
		}
		stored, err := store.AddParticipant(ctx, p)
		if err != nil {
			return err
		}
		people = append(people, stored)
	}
	if err := inventVisits(ctx, store, people, now); err != nil {
		return err
	}
	return inventPast(ctx, store, people, now)
}

// inventedSizes are mass in kg and height in cm of the invented people.
var inventedSizes = [][2]float64{{71.5, 168}, {84, 176}, {62, 171}, {88, 179}, {69, 163}}

// fillInvented fills the prepare form for one of the invented people, so that a test can begin at once. The resting
// heart rate and the cadence are those of the body that will answer.
func fillInvented(f *form, code string) {
	i := slices.IndexFunc(invented, func(p record.Participant) bool { return p.Code == code })
	if i < 0 {
		return
	}
	body := simulate.Number(inventedFor(int64(i + 1)))
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
