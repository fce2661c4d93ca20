package house

import (
	"fmt"
	"strings"

	"gradus/screen"
)

func branchTable() (string, error) {
	var rows [][]string
	for _, b := range screen.Shipped().Branches {
		rows = append(rows, []string{b.Branch, b.RegularExercise, b.KnownDisease, b.Symptoms, b.Intensity, b.Cleared, b.Clearance, "`" + b.Rule + "`", join(b.How, b.Note)})
	}
	return grid("branch | exercises regularly | known disease | signs or symptoms | intensity meant | cleared in 12 months, unchanged | clearance | rule | known", rows), nil
}

// screeningRuleTable leaves out the rules that come from the tables of their own.
func screeningRuleTable() (string, error) {
	var rows [][]string
	for _, r := range screen.Shipped().Rules {
		prefix, _, _ := strings.Cut(r.ID, ".")
		switch prefix {
		case "contra", "unsure", "drug", "rhythm", "missing":
			continue
		}
		also := ""
		for _, p := range r.Also {
			also = join(also, p.Text+" ("+p.Source+")")
		}
		rows = append(rows, []string{"`" + r.ID + "`", r.Text, string(r.Does), string(r.Lift), r.Source + ", " + r.How, join(r.Note, also)})
	}
	return grid("rule | when | does | lifted by | source, known | note; also in print", rows), nil
}

func contraindicationTable() (string, error) {
	var rows [][]string
	for _, c := range screen.Shipped().Contraindications {
		rows = append(rows, []string{c.Code, "`" + c.Word + "`", c.Text, c.Class, c.AHA2013, c.ATS2003, c.Source + ", " + c.How, c.Note})
	}
	return grid("code | word | contraindication | class here | heart list 2013 | chest list 2003 | source, known | note", rows), nil
}

func drugTable() (string, error) {
	var rows [][]string
	for _, d := range screen.Shipped().Drugs {
		rows = append(rows, []string{"`" + d.Word + "`", d.Examples, d.HRRest, d.HRExercise, d.Bias, d.Estimate, string(d.Does), d.Source + ", " + d.How, d.Note})
	}
	return grid("class | examples | heart rate at rest | on exercise | estimate from heart rate | so it is | outcome | source, known | note", rows), nil
}

func deviceTable() (string, error) {
	var rows [][]string
	for _, d := range screen.Shipped().Devices {
		rows = append(rows, []string{"`" + d.Word + "`", d.Problem, d.HowToRead, d.LeadBy, d.Estimate, string(d.Does), d.Source + ", " + d.How, d.Note})
	}
	return grid("word | problem | how to read heart rate | lead by | an estimate is | outcome | source, known | note", rows), nil
}

func choiceTable() (string, error) {
	var rows [][]string
	for _, c := range screen.Shipped().Choices {
		for i, o := range c.Options {
			id, about := "`"+c.ID+"`", c.About
			if i > 0 {
				id, about = "", ""
			}
			rows = append(rows, []string{id, about, "`" + o.ID + "`", o.Text, o.Source})
		}
	}
	return grid("choice | about | option (the first is in force) | says | source", rows), nil
}

func screeningSourceTable() (string, error) {
	var rows [][]string
	for _, s := range screen.Shipped().Sources {
		rows = append(rows, []string{"`" + s.ID + "`", s.String(), s.Note})
	}
	if len(rows) == 0 {
		return "", fmt.Errorf("screening has no sources")
	}
	return grid("id | source | note", rows), nil
}
