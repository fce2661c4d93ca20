package house

import (
	"fmt"
	"strconv"
	"strings"

	estimators "gradus/estimate/library"
	bedside "gradus/internal/web/core"
	"gradus/protocol"
	protocols "gradus/protocol/library"
)

func init() {
	for _, family := range protocol.Families {
		dataTables["tests, "+strings.ReplaceAll(family, "-", " ")] = func() (string, error) { return familyTable(family) }
	}
}

// familyTable has a line for each shipped protocol of a family.
func familyTable(family string) (string, error) {
	var rows [][]string
	for _, id := range protocols.IDs() {
		p, err := protocols.Load(id, estimators.LineOf)
		if err != nil {
			return "", err
		}
		if p.Family != family {
			continue
		}
		known, source := "", ""
		if paper, ok := p.PaperOf("parts[0].work"); ok {
			known = paper.How.Phrase()
			if s, ok := p.SourceOf(paper.Source); ok {
				source = join(s.Title+sourceTail(s), paper.Note)
			}
		}
		rows = append(rows, []string{"`" + p.ID + "`", p.Population, partsText(p), endText(p), estimatorText(&p.Outcome), known, source})
	}
	return grid("protocol | for | parts | planned end | estimate by | stages known | source of the stages", rows), nil
}

func sourceTail(s protocol.Source) (tail string) {
	if s.Journal != "" {
		tail += ", " + s.Journal
	}
	if s.Year > 0 {
		tail += ", " + strconv.Itoa(s.Year)
	}
	if s.DOI != "" {
		tail += ", doi " + s.DOI
	}
	return tail
}

// partsText lists the parts by load and length; of many, the first two and the last.
func partsText(p *protocol.Protocol) string {
	var all []string
	for i := range p.Parts {
		part := &p.Parts[i]
		if part.If != "" {
			continue // beyond the plan, by the examiner's choice
		}
		text := partLoad(&part.Work)
		if part.Lasts > 0 {
			text += " " + part.Lasts.String()
		}
		all = append(all, text)
	}
	if n := len(all); n > 5 {
		return fmt.Sprintf("%d: %s; %s; … %s", n, all[0], all[1], all[n-1])
	}
	return strings.Join(all, "; ")
}

func partLoad(w *protocol.Work) string {
	switch w.Form() {
	case "fixed":
		return bedside.LoadText(w, *w.Watts)
	case "row":
		return "by table"
	case "added":
		return fmt.Sprintf("%+g W", w.AddWatts)
	case "chosen":
		return plain(w.Choose.From) + " to " + plain(w.Choose.To) + " W"
	case "chosen-speed":
		return plain(w.Pace.From) + " to " + plain(w.Pace.To) + " km/h"
	case "same-speed":
		return "same speed at " + plain(w.Second()) + " %"
	case "speed":
		return bedside.LoadText(w, w.SpeedKmh)
	case "rate":
		return bedside.LoadText(w, w.Rate)
	case "own-pace":
		return "own pace"
	}
	return w.Form()
}

func endText(p *protocol.Protocol) string {
	if !p.EndPoint.Is() {
		return "the last part"
	}
	of := "maximal heart rate"
	if p.EndPoint.It.Of == "hr_reserve" {
		of = "heart-rate reserve"
	}
	return fmt.Sprintf("%d %% of %s", p.EndPoint.It.Percent, of)
}

func estimatorText(o *protocol.Outcome) string {
	text := "`" + o.Estimator + "`"
	if o.Estimator == "none" {
		text = "none: " + o.What
	}
	if o.Women != "" {
		text += ", women `" + o.Women + "`"
	}
	for _, id := range o.Also {
		text += ", beside it `" + id + "`"
	}
	return text
}
