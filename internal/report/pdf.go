package report

import (
	"bytes"
	_ "embed"
	"fmt"
	"io"
	"strconv"
	"strings"
	"sync"
	"time"

	"codeberg.org/go-pdf/fpdf"
)

//go:embed fonts/AtkinsonHyperlegibleNext_400Regular.ttf
var regularFont []byte

//go:embed fonts/AtkinsonHyperlegibleNext_700Bold.ttf
var boldFont []byte

// Papers are the sizes that can be printed on.
var Papers = []string{"a4", "letter"}

// Sizes of type in points; a paper of one page is set in the first that fits.
var (
	noteSizes  = []float64{10, 9.5, 9, 8.5, 8, 7.5, 7}
	largeSizes = []float64{14, 13.5, 13, 12.5}
)

const (
	plainSize = 10.5
	side      = 16.0 // margins, mm
	top       = 13.0
	foot      = 16.0
	mmPerPt   = 25.4 / 72
)

// WritePDF sets a paper; size is a4 or letter. A document that must fit one page and does not in the smallest type
// goes on to a second one, numbered.
func WritePDF(w io.Writer, d *Document, size string) error {
	data, err := pdf(d, size)
	if err != nil {
		return err
	}
	_, err = w.Write(data)
	return err
}

func pdf(d *Document, size string) ([]byte, error) {
	paper := map[string]string{"a4": "A4", "letter": "Letter"}[size]
	if paper == "" {
		return nil, fmt.Errorf("paper %q is not known; use %s", size, strings.Join(Papers, " or "))
	}
	sizes := []float64{plainSize}
	switch {
	case d.Large:
		sizes = largeSizes
	case d.OnePage:
		sizes = noteSizes
	}
	t := fit(d, paper, sizes)
	if pages := t.f.PageCount(); pages > 1 && !t.f.Err() {
		t = set(d, paper, t.pt, pages)
	}
	var b bytes.Buffer
	if err := t.f.Output(&b); err != nil {
		return nil, fmt.Errorf("the paper cannot be set: %w", err)
	}
	return b.Bytes(), nil
}

// fit finds the largest of some sizes, the largest first, in which the paper stays on one page; else the smallest.
func fit(d *Document, paper string, sizes []float64) *typesetter {
	low, high := 0, len(sizes)-1 // the answer lies between them
	var t *typesetter
	for {
		middle := (low + high) / 2
		if t = set(d, paper, sizes[middle], 0); t.f.Err() {
			return t
		}
		switch fits := t.f.PageCount() == 1; {
		case fits && low == middle, low == high:
			return t
		case fits:
			high = middle
		default:
			low = middle + 1
		}
	}
}

// typesetter sets blocks one under the other between two margins.
type typesetter struct {
	f           *fpdf.Fpdf
	pt          float64
	left, right float64 // of the column, mm
	missing     bool    // a letter is not in the font
}

func set(d *Document, paper string, points float64, pages int) *typesetter {
	f := fpdf.New("P", "mm", paper, "")
	t := &typesetter{f: f, pt: points}
	f.SetCatalogSort(true)
	day, err := time.Parse(time.DateOnly, d.Day)
	if err != nil {
		day = time.Date(2000, 1, 1, 0, 0, 0, 0, time.UTC)
	}
	f.SetCreationDate(day)
	f.SetModificationDate(day)
	f.SetProducer("Gradus", true)
	f.SetTitle(d.Title, true)
	f.SetLang("en")
	f.AddUTF8FontFromBytes("text", "", regularFont)
	f.AddUTF8FontFromBytes("text", "B", boldFont)
	f.SetMargins(side, top, side)
	f.SetAutoPageBreak(true, foot)
	f.SetCellMargin(0)
	width, height := f.GetPageSize()
	t.left, t.right = side, width-side
	f.SetFooterFunc(func() { t.footer(d, height, pages) })
	f.AddPage()
	t.head(d)
	t.blocks(d.Blocks)
	if t.missing {
		t.para(Para{Small: true, Text: "A ? stands for a letter that the printed font lacks; the HTML report shows it."})
	}
	return t
}

func (t *typesetter) footer(d *Document, height float64, pages int) {
	f := t.f
	f.SetAutoPageBreak(false, 0)
	left, right := f.GetX(), t.right
	width, _ := f.GetPageSize()
	f.SetLeftMargin(side)
	f.SetRightMargin(side)
	f.SetFont("text", "", 7.5)
	f.SetXY(side, height-foot+3)
	page := "Page " + strconv.Itoa(f.PageNo())
	if pages > 1 {
		page += " of " + strconv.Itoa(pages)
	}
	line := d.Foot
	if d.Standing != "" {
		line = d.Standing + " " + line
	}
	f.SetDrawColor(0, 0, 0)
	f.SetLineWidth(0.2)
	f.Line(side, height-foot+2, width-side, height-foot+2)
	f.MultiCell(width-2*side-24, 3.2, t.clean(line), "", "L", false)
	f.SetXY(width-side-22, height-foot+3)
	f.CellFormat(22, 3.2, page, "", 0, "R", false, 0, "")
	f.SetAutoPageBreak(true, foot)
	t.margins(t.left, right)
	f.SetX(left)
}

func (t *typesetter) margins(left, right float64) {
	width, _ := t.f.GetPageSize()
	t.left, t.right = left, right
	t.f.SetLeftMargin(left)
	t.f.SetRightMargin(width - right)
	t.f.SetX(left)
}

// lead is the height of a line of type, mm.
func lead(points float64) float64 { return points * 1.28 * mmPerPt }

func (t *typesetter) font(style string, points float64) { t.f.SetFont("text", style, points) }

func (t *typesetter) gap(lines float64) { t.f.SetY(t.f.GetY() + lines*lead(t.pt)) }

func (t *typesetter) head(d *Document) {
	t.font("B", t.pt*1.5)
	t.f.MultiCell(t.right-t.left, lead(t.pt*1.5), t.clean(d.Title), "", "L", false)
	if d.Who != "" {
		t.font("", t.pt)
		t.f.MultiCell(t.right-t.left, lead(t.pt), t.clean(d.Who), "", "L", false)
	}
	if d.Standing != "" {
		t.font("B", t.pt)
		t.f.MultiCell(t.right-t.left, lead(t.pt), t.clean(d.Standing), "", "L", false)
	}
	t.gap(0.2)
	t.f.SetLineWidth(0.4)
	t.f.Line(t.left, t.f.GetY(), t.right, t.f.GetY())
	t.gap(0.35)
}

func (t *typesetter) blocks(all []Block) {
	for i, b := range all {
		switch b := b.(type) {
		case Heading:
			t.heading(string(b), i > 0)
		case Para:
			t.para(b)
		case List:
			t.list(b)
		case Pairs:
			for _, p := range b {
				t.runs(t.pt, p.Name+" ", p.Value)
			}
			t.gap(0.25)
		case Table:
			t.table(b)
		case Box:
			t.box(b)
		case Picture:
			t.picture(b)
		case Twin:
			t.twin(b)
		}
	}
}

// room begins a new page when less than a height is left.
func (t *typesetter) room(height float64) {
	_, page := t.f.GetPageSize()
	if t.f.GetY()+height > page-foot {
		left, right := t.left, t.right
		t.f.AddPage()
		t.margins(left, right)
	}
}

func (t *typesetter) heading(text string, apart bool) {
	t.room(lead(t.pt) * 4)
	if apart {
		t.gap(0.3)
	}
	t.font("B", t.pt*1.12)
	t.f.SetX(t.left)
	t.f.MultiCell(t.right-t.left, lead(t.pt*1.12), t.clean(text), "", "L", false)
	t.gap(0.08)
}

func (t *typesetter) para(p Para) {
	points := t.pt
	switch {
	case p.Lead:
		points *= 1.15
	case p.Small:
		points *= 0.85
	}
	label := p.Label
	if label != "" {
		label += " "
	}
	if p.Lead {
		label, p.Text = p.Text, ""
	}
	t.runs(points, label, p.Text)
	t.gap(0.25)
}

// runs writes bold text, then plain text, as one paragraph.
func (t *typesetter) runs(points float64, bold, plain string) {
	l := &line{t: t, points: points}
	l.add("B", bold)
	l.add("", plain)
	l.end()
}

// line gathers words until the column is full. It stands in for the library's own Write, whose time grows with the
// square of the text.
type line struct {
	t      *typesetter
	points float64
	pieces []piece
	width  float64
}

type piece struct {
	style, text string
	width       float64
}

func (l *line) add(style, text string) {
	if text == "" {
		return
	}
	l.t.font(style, l.points)
	space := l.t.f.GetStringWidth(" ")
	for i, word := range strings.Split(l.t.clean(text), " ") {
		width := l.t.f.GetStringWidth(word)
		if i > 0 {
			l.put(style, " ", space)
		}
		if l.width > 0 && l.width+width > l.room() {
			l.end()
			l.t.font(style, l.points)
		}
		for width > l.room() { // a word longer than the column
			cut := 1
			runes := []rune(word)
			for cut < len(runes) && l.t.f.GetStringWidth(string(runes[:cut+1])) <= l.room() {
				cut++
			}
			l.put(style, string(runes[:cut]), l.room())
			l.end()
			l.t.font(style, l.points)
			word = string(runes[cut:])
			width = l.t.f.GetStringWidth(word)
		}
		l.put(style, word, width)
	}
}

func (l *line) room() float64 { return l.t.right - l.t.left }

func (l *line) put(style, text string, width float64) {
	if n := len(l.pieces); n > 0 && l.pieces[n-1].style == style {
		l.pieces[n-1].text += text
		l.pieces[n-1].width += width
	} else {
		l.pieces = append(l.pieces, piece{style, text, width})
	}
	l.width += width
}

// end sets the line and begins the next one.
func (l *line) end() {
	if len(l.pieces) == 0 {
		return
	}
	t, height := l.t, lead(l.points)
	t.room(height)
	t.f.SetX(t.left)
	for _, p := range l.pieces {
		t.font(p.style, l.points)
		t.f.CellFormat(p.width, height, p.text, "", 0, "L", false, 0, "")
	}
	t.f.SetXY(t.left, t.f.GetY()+height)
	l.pieces, l.width = nil, 0
}

func (t *typesetter) list(l List) {
	left, indent := t.left, t.pt*0.42
	for _, item := range l.Items {
		t.room(lead(t.pt))
		y := t.f.GetY()
		middle := y + lead(t.pt)/2
		if l.Square {
			s := t.pt * 0.26
			t.f.SetLineWidth(0.25)
			t.f.Rect(left, middle-s/2, s, s, "D")
		} else {
			t.f.SetFillColor(0, 0, 0)
			t.f.Circle(left+t.pt*0.11, middle, t.pt*0.05, "F")
		}
		t.margins(left+indent, t.right)
		t.runs(t.pt, "", item)
		t.margins(left, t.right)
	}
	t.gap(0.25)
}

func (t *typesetter) box(b Box) {
	left, right, y := t.left, t.right, t.f.GetY()
	page := t.f.PageNo()
	const inset = 2.0
	t.margins(left+inset, right-inset)
	t.f.SetY(y + 1.2)
	t.font("B", t.pt)
	t.f.SetX(t.left)
	t.f.MultiCell(t.right-t.left, lead(t.pt), t.clean(b.Title), "", "L", false)
	for _, p := range b.Lines {
		t.runs(t.pt, p.Name+" ", p.Value)
	}
	t.margins(left, right)
	if t.f.PageNo() == page {
		t.f.SetLineWidth(0.5)
		t.f.Rect(left, y, right-left, t.f.GetY()-y+1.2, "D")
	}
	t.f.SetY(t.f.GetY() + 1.2)
	t.gap(0.35)
}

func (t *typesetter) twin(b Twin) {
	left, right, y, page := t.left, t.right, t.f.GetY(), t.f.PageNo()
	const between = 5.0
	middle := left + (right-left)*b.Share
	t.margins(left, middle-between/2)
	t.blocks(b.Left)
	low := t.f.GetY()
	if t.f.PageNo() == page {
		t.f.SetY(y)
	}
	t.margins(middle+between/2, right)
	t.blocks(b.Right)
	t.margins(left, right)
	if t.f.PageNo() == page {
		t.f.SetY(max(low, t.f.GetY()))
	}
}

func (t *typesetter) table(b Table) {
	points := t.pt * 0.92
	if b.Caption != "" {
		t.room(lead(points) * 4)
		t.font("B", points)
		t.f.SetX(t.left)
		t.f.MultiCell(t.right-t.left, lead(points), t.clean(b.Caption), "", "L", false)
		t.gap(0.1)
	}
	widths := t.widths(b)
	if len(b.Head) > 0 {
		t.row(b.Head, widths, "B", points, b.Boxes, false)
	}
	for _, cells := range b.Rows {
		if t.row(cells, widths, "", points, b.Boxes, true) && len(b.Head) > 0 {
			t.row(b.Head, widths, "B", points, b.Boxes, false)
			t.row(cells, widths, "", points, b.Boxes, true)
		}
	}
	t.gap(0.4)
}

func (t *typesetter) widths(b Table) []float64 {
	sum := 0.0
	for _, w := range b.Widths {
		sum += w
	}
	out := make([]float64, len(b.Widths))
	for i, w := range b.Widths {
		out[i] = w / sum * (t.right - t.left)
	}
	return out
}

// row sets a line of a table. With breaks it is left out, and true returned, when it needed a new page.
func (t *typesetter) row(cells []string, widths []float64, style string, points float64, boxes, breaks bool) bool {
	const pad = 0.8
	t.font(style, points)
	lines := make([][]string, len(cells))
	most := 1
	for i, c := range cells {
		lines[i] = t.f.SplitText(t.clean(c), widths[i]-2*pad)
		most = max(most, len(lines[i]))
	}
	height := float64(most)*lead(points) + pad*0.6
	if boxes && style == "" {
		height = max(height, t.pt*0.62)
	}
	_, page := t.f.GetPageSize()
	if breaks && t.f.GetY()+height > page-foot {
		t.room(height + 1)
		return true
	}
	x, y := t.left, t.f.GetY()
	t.f.SetLineWidth(0.2)
	for i := range cells {
		if boxes {
			if style == "B" || cells[i] == dash {
				t.f.SetFillColor(232, 232, 232)
				t.f.Rect(x, y, widths[i], height, "FD")
			} else {
				t.f.Rect(x, y, widths[i], height, "D")
			}
		}
		down := pad * 0.3
		if boxes {
			down = (height - float64(len(lines[i]))*lead(points)) / 2
		}
		for k, line := range lines[i] {
			t.f.SetXY(x+pad, y+down+float64(k)*lead(points))
			t.f.CellFormat(widths[i]-2*pad, lead(points), line, "", 0, "L", false, 0, "")
		}
		x += widths[i]
	}
	if !boxes {
		if style == "B" {
			t.f.SetLineWidth(0.35)
		} else {
			t.f.SetLineWidth(0.1)
		}
		t.f.Line(t.left, y+height, t.right, y+height)
	}
	t.f.SetXY(t.left, y+height)
	return false
}

func (t *typesetter) picture(b Picture) {
	scale := (t.right - t.left) / b.Drawing.W
	if most := 0.60 * 160 / b.Drawing.H; scale > most {
		scale = most
	}
	height := b.Drawing.H * scale
	t.font("B", t.pt*0.92)
	t.room(height + lead(t.pt)*2)
	t.f.SetX(t.left)
	t.f.MultiCell(t.right-t.left, lead(t.pt*0.92), t.clean(b.Title), "", "L", false)
	y := t.f.GetY() + 0.5
	for i := range b.Drawing.Marks {
		t.mark(&b.Drawing.Marks[i], t.left, y, scale)
	}
	t.f.SetDashPattern(nil, 0)
	t.f.SetY(y + height)
	t.gap(0.3)
}

func (t *typesetter) mark(m *Mark, x0, y0, scale float64) {
	f := t.f
	x, y := x0+m.X*scale, y0+m.Y*scale
	f.SetLineWidth(max(m.Width*scale, 0.1))
	f.SetDashPattern(nil, 0)
	if m.Dash {
		f.SetDashPattern([]float64{1.2, 1}, 0)
	}
	shade := int(255 * (1 - m.Grey))
	switch m.Kind {
	case "line":
		f.Line(x, y, x0+m.X2*scale, y0+m.Y2*scale)
	case "box":
		f.SetFillColor(shade, shade, shade)
		style := "F"
		if m.Width > 0 {
			style = "FD"
		}
		f.Rect(x, y, (m.X2-m.X)*scale, (m.Y2-m.Y)*scale, style)
	case "dot":
		f.SetFillColor(0, 0, 0)
		f.Circle(x, y, m.R*scale, "F")
	case "ring":
		f.SetFillColor(255, 255, 255)
		f.Circle(x, y, m.R*scale, "FD")
	case "text":
		t.font(map[bool]string{true: "B"}[m.Bold], m.Size*scale/mmPerPt)
		text := t.clean(m.Text)
		switch width := f.GetStringWidth(text); m.Align {
		case "middle":
			x -= width / 2
		case "end":
			x -= width
		}
		f.Text(x, y, text)
	}
}

// clean keeps numbers and units together and puts a question mark for letters that the font lacks.
func (t *typesetter) clean(text string) string {
	return strings.Map(func(r rune) rune {
		switch {
		case r == '\n' || glyphs()[r]:
			return r
		case r < ' ':
			return ' '
		}
		t.missing = true
		return '?'
	}, hold(text))
}

// glyphs are the letters of the font, read from its own table.
var glyphs = sync.OnceValue(func() map[rune]bool {
	all := map[rune]bool{}
	two := func(at int) int { return int(regularFont[at])<<8 | int(regularFont[at+1]) }
	four := func(at int) int { return two(at)<<16 | two(at+2) }
	for i := range two(4) {
		if at := 12 + 16*i; string(regularFont[at:at+4]) == "cmap" {
			base := four(at + 8)
			for k := range two(base + 2) {
				sub := base + four(base+4+8*k+4)
				if two(sub) != 4 {
					continue
				}
				n := two(sub+6) / 2
				for s := range n {
					for r := two(sub + 16 + 2*n + 2*s); r <= two(sub+14+2*s) && r < 0xffff; r++ {
						all[rune(r)] = true
					}
				}
			}
		}
	}
	return all
})
