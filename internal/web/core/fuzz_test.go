package core_test

import (
	"encoding/json"
	"testing"

	"gradus/internal/web/core"
)

// The core answers whatever a page asks about a test that runs, with a view or with a reason.
func FuzzAsk(f *testing.F) {
	load := loadMessage(f)
	for _, text := range []string{
		`{"op":"tick","at_ms":1000}`, `{"op":"view","at_ms":-5}`, `{"op":"act","at_ms":0,"by":"KL","events":[{"kind":"stage","code":"stage-1","v":30}]}`,
		`{"op":"act","at_ms":60000,"events":[{"kind":"reading","what":"heart_rate","v":110,"slot":1},{"kind":"stopped","code":"wish"},{"kind":"closed","code":"examiner"}]}`,
		`{"op":"events","at_ms":5,"events":[{"term":1,"n":2,"at":"0:05","kind":"note","text":"x"}]}`, `{"op":"anchor","clocks":{"same_boot":true,"boot_ms":9000},"minute":3,"take_up":true}`,
		`{"op":"simulate","at_ms":3000,"person":2}`, `{"op":"trace","dot":{"at_ms":5,"v":120}}`, `{"op":"decode","sensor":{"uuid":10807,"data":"AEU="}}`,
		`{"op":"window","sensor":{"beats":[{"at_ms":1,"v":800}],"from_ms":0,"to_ms":15000}}`, `{"op":"lock","at_ms":1000,"sensor":{"rate":120,"cadence":120}}`, `{"op":"none"}`, `{`,
	} {
		f.Add([]byte(text), []byte(`{"op":"tick","at_ms":120000}`))
	}
	f.Fuzz(func(t *testing.T, first, second []byte) {
		c := &core.Core{}
		if a := c.Answer(core.Ask{Op: "load", Load: &load}); a.Error != "" {
			t.Fatal(a.Error)
		}
		for _, text := range [][]byte{first, second} {
			var ask core.Ask
			if json.Unmarshal(text, &ask) == nil && ask.Op == "load" {
				continue // what is loaded comes from the server, which has checked it
			}
			var a core.Answer
			if err := json.Unmarshal(c.JSON(text), &a); err != nil {
				t.Errorf("an answer is no JSON: %v", err)
			}
		}
	})
}
