package conduct

import (
	"encoding/json"
	"fmt"
	"strings"

	"gradus/protocol"
)

// Revised says in words what a correction changed: "rate limiting drug: no, now yes".
func Revised(p *protocol.Protocol, e *Event, before, after *State) string {
	switch e.Kind {
	case Input:
		return strings.ReplaceAll(e.Code, "_", " ") + ": " + before.In.text(e.Code) + ", now " + after.In.text(e.Code)
	case SignSeen, Stopped:
		return sayStopReason(p, e.Code)
	case Correct, Withdraw, Disturbed:
		if v := before.value(e.Ref); v != nil {
			now := map[Kind]string{Correct: "now " + num(e.V), Withdraw: "taken back", Disturbed: "marked as disturbed"}[e.Kind]
			return fmt.Sprintf("%s at %v: %s, %s", quantityName(v.What), v.Moment, num(v.V), now)
		}
	}
	return fmt.Sprintf("%v of event %v", e.Kind, e.Ref)
}

// text is an input as it is written, for people.
func (in *Inputs) text(name string) string {
	data, err := json.Marshal(in)
	if err != nil {
		return ""
	}
	var all map[string]any
	if err := json.Unmarshal(data, &all); err != nil || all[name] == nil {
		return "not recorded"
	}
	if name == "rate_limiting_drug" && in.DrugName != "" {
		return fmt.Sprintf("%v, %s", all[name], in.DrugName)
	}
	return fmt.Sprint(all[name])
}
