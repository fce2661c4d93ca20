package mapping

import (
	"fmt"
	"regexp"
	"strconv"
	"strings"
	"time"
)

// Orders in which a table writes its days.
const (
	YearFirst  = "ymd"
	DayFirst   = "dmy"
	MonthFirst = "mdy"
)

var threeNumbers = regexp.MustCompile(`^(\d{1,4})([-/. ])\s*(\d{1,2})([-/. ])\s*(\d{1,4})(?:[ T]\d{1,2}:\d{2}(?::\d{2})?)?$`)

// writtenOut are days with the name of the month: nobody can take one part for another.
var writtenOut = []string{"2 Jan 2006", "2-Jan-2006", "2. Jan 2006", "2 January 2006", "2. January 2006", "2-January-2006", "Jan 2, 2006", "January 2, 2006", "Jan 2 2006", "January 2 2006"}

// Day reads a day and gives it as year-month-day. Where order is empty, a day that can be read in two ways is refused with
// the question which one is meant; msg is that question, or what is wrong.
func Day(text, order string) (day, msg string) {
	text = strings.TrimSpace(text)
	for _, layout := range writtenOut {
		if at, err := time.Parse(layout, text); err == nil {
			return at.Format(time.DateOnly), ""
		}
	}
	m := threeNumbers.FindStringSubmatch(text)
	switch {
	case m == nil && len(text) == 5 && strings.Trim(text, "0123456789") == "":
		return "", fmt.Sprintf("%q looks like the count of days of a spreadsheet; give the column the format of a day there and save", text)
	case m == nil || m[2] != m[4]:
		return "", fmt.Sprintf("%q is not a day; write it as 2019-03-04", text)
	}
	a, b, c := m[1], m[3], m[5]
	if len(a) == 4 {
		return made(text, a, b, c)
	}
	if len(c) != 4 {
		return "", fmt.Sprintf("%q has no year of four digits; which century is meant? Write it as 2019-03-04", text)
	}
	switch {
	case order == DayFirst:
		return made(text, c, b, a)
	case order == MonthFirst:
		return made(text, c, a, b)
	case order == YearFirst:
		return "", fmt.Sprintf("%q does not begin with the year, as the mapping says days do here", text)
	case m[2] == ".": // nowhere are months written first with dots
		return made(text, c, b, a)
	}
	first, _ := strconv.Atoi(a)
	second, _ := strconv.Atoi(b)
	switch {
	case first > 12:
		return made(text, c, b, a)
	case second > 12:
		return made(text, c, a, b)
	case first == second:
		return made(text, c, a, b)
	}
	x, msg := made(text, c, b, a)
	y, _ := made(text, c, a, b)
	if msg != "" {
		return "", msg
	}
	return "", fmt.Sprintf("%q may be %s or %s; which one? Say for the whole table whether the day or the month stands first (in a mapping file dates: dmy or dates: mdy)", text, inWords(x), inWords(y))
}

func inWords(day string) string {
	at, err := time.Parse(time.DateOnly, day)
	if err != nil {
		return day
	}
	return at.Format("2 January 2006")
}

func made(text, year, month, day string) (string, string) {
	at, err := time.Parse("2006-1-2", year+"-"+strings.TrimLeft(month, "0")+"-"+strings.TrimLeft(day, "0"))
	if err != nil {
		return "", fmt.Sprintf("%q is no day of the calendar; check it, and whether the day or the month stands first", text)
	}
	return at.Format(time.DateOnly), ""
}

var plainNumber = regexp.MustCompile(`^[+-]?\d+(?:([.,])(\d+))?$`)

// number gives a number with a decimal point. A mark that may part thousands is asked about.
func (m *Mapping) number(text string, typed bool) (string, string) {
	text = strings.Map(func(r rune) rune {
		if r == '\u00a0' || r == '\u2009' || r == '\u202f' {
			return -1
		}
		return r
	}, strings.TrimSpace(text))
	part := plainNumber.FindStringSubmatch(text)
	switch {
	case part == nil && strings.Trim(text, "0123456789.,+-eE") == "" && strings.ContainsAny(text, "eE"):
		return text, "" // the reader of the sheet judges it
	case part == nil:
		return "", fmt.Sprintf("%q is not a number; write the number alone, without unit, and leave the cell empty where there is none", text)
	case typed, part[1] == "":
		return strings.Replace(text, ",", ".", 1), ""
	}
	comma, three := part[1] == ",", len(part[2]) == 3
	switch {
	case m.Decimal == "comma" && !comma && three, m.Decimal == "point" && comma:
		return "", fmt.Sprintf("%q: the mapping says that decimals stand behind a %s; write the number so", text, m.Decimal)
	case m.Decimal == "" && comma && three:
		whole := strings.Replace(text, ",", "", 1)
		return "", fmt.Sprintf("%q may be %s or %s; say for the whole table what parts the decimals (in a mapping file decimal: comma or decimal: point)", text, strings.Replace(text, ",", ".", 1), whole)
	}
	return strings.Replace(text, ",", ".", 1), ""
}
