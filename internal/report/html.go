package report

import (
	_ "embed"
	"fmt"
	"html/template"
	"io"
	"strconv"
	"strings"
)

//go:embed report.css
var style string

// Style is the style sheet of the HTML papers.
func Style() string { return style }

// Font is the font of the papers as a TrueType file.
func Font(bold bool) []byte {
	if bold {
		return boldFont
	}
	return regularFont
}

//go:embed report.html
var page string

var pageTemplate = template.Must(template.New("page").Funcs(template.FuncMap{
	"hold": hold, "kind": func(b Block) string { return strings.ToLower(strings.TrimPrefix(fmt.Sprintf("%T", b), "report.")) },
	"svg":    func(p Picture) template.HTML { return template.HTML(p.Drawing.SVG(p.Title, p.Text)) },
	"behind": func(t Block, row, column int) string { return t.(Table).behind(row, column) },
	"dash":   func(cell string) bool { return cell == dash }, "style": func() template.CSS { return template.CSS(style) },
}).Parse(page))

// WriteHTML writes a paper as a page of its own, readable by screen readers. styleAddress is where its style sheet
// lies; "" puts the style into the page, so that the file stands alone.
func WriteHTML(w io.Writer, d *Document, styleAddress string) error {
	return pageTemplate.Execute(w, struct {
		*Document
		Style string
	}{d, styleAddress})
}

// HTML is a part of a paper for a page that has a frame and a style of its own.
func HTML(blocks []Block) (template.HTML, error) {
	var b strings.Builder
	err := pageTemplate.ExecuteTemplate(&b, "blocks", blocks)
	return template.HTML(b.String()), err
}

// SVG draws a picture for a page; title and text describe it to those who do not see it.
func (d *Drawing) SVG(title, text string) string {
	var b strings.Builder
	n := func(v float64) string { return strconv.FormatFloat(v, 'f', -1, 64) }
	esc := template.HTMLEscapeString
	fmt.Fprintf(&b, `<svg viewBox="0 0 %s %s" role="img" aria-label="%s"><title>%s</title><desc>%s</desc>`, n(d.W), n(d.H), esc(title+". "+text), esc(title), esc(text))
	for _, m := range d.Marks {
		switch m.Kind {
		case "line":
			dashes := ""
			if m.Dash {
				dashes = ` stroke-dasharray="4 3"`
			}
			fmt.Fprintf(&b, `<line x1="%s" y1="%s" x2="%s" y2="%s" stroke="#000" stroke-width="%s"%s/>`, n(m.X), n(m.Y), n(m.X2), n(m.Y2), n(m.Width), dashes)
		case "box":
			shade := int(255 * (1 - m.Grey))
			stroke := ""
			if m.Width > 0 {
				stroke = ` stroke="#000" stroke-width="` + n(m.Width) + `"`
			}
			fmt.Fprintf(&b, `<rect x="%s" y="%s" width="%s" height="%s" fill="rgb(%d,%d,%d)"%s/>`, n(m.X), n(m.Y), n(m.X2-m.X), n(m.Y2-m.Y), shade, shade, shade, stroke)
		case "dot", "ring":
			fill := map[string]string{"dot": "#000", "ring": "#fff"}[m.Kind]
			fmt.Fprintf(&b, `<circle cx="%s" cy="%s" r="%s" fill="%s" stroke="#000"/>`, n(m.X), n(m.Y), n(m.R), fill)
		case "text":
			weight := ""
			if m.Bold {
				weight = ` font-weight="bold"`
			}
			fmt.Fprintf(&b, `<text x="%s" y="%s" font-size="%s" text-anchor="%s"%s>%s</text>`, n(m.X), n(m.Y), n(m.Size), or(m.Align, "start"), weight, esc(m.Text))
		}
	}
	b.WriteString("</svg>")
	return b.String()
}
