package web

import (
	"context"

	"gradus/conduct"
	"gradus/internal/record"
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
	for _, p := range invented {
		p.Note = say("demo.note")
		if _, err := store.AddParticipant(ctx, p); err != nil {
			return err
		}
	}
	return nil
}

// DemoSpeeds are the speeds at which the demonstration's time may run.
var DemoSpeeds = []int{1, 10, 60}
