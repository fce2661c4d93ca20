package record

import (
	"slices"
	"strings"
	"unicode"
)

// bare lists letters with accents behind the letters without.
var bare = []struct{ letter, accented string }{
	{"a", "àáâãäåāăąǎǟǡǻȁȃȧḁạảấầẩẫậắằẳẵặ"},
	{"ae", "æǣǽ"},
	{"b", "ḃḅḇ"},
	{"c", "çćĉċčḉ"},
	{"d", "ďḋḍḏḑḓđð"},
	{"e", "èéêëēĕėęěȅȇȩḕḗḙḛḝẹẻẽếềểễệ"},
	{"f", "ḟ"},
	{"g", "ĝğġģǧǵḡ"},
	{"h", "ĥȟḣḥḧḩḫẖħ"},
	{"i", "ìíîïĩīĭįǐȉȋḭḯỉịı"},
	{"j", "ĵǰ"},
	{"k", "ķǩḱḳḵĸ"},
	{"l", "ĺļľḷḹḻḽł"},
	{"m", "ḿṁṃ"},
	{"n", "ñńņňǹṅṇṉṋŋ"},
	{"o", "òóôõöōŏőơǒǫǭȍȏȫȭȯȱṍṏṑṓọỏốồổỗộớờởỡợøǿ"},
	{"oe", "œ"},
	{"p", "ṕṗ"},
	{"r", "ŕŗřȑȓṙṛṝṟ"},
	{"s", "śŝşšșṡṣṥṧṩſ"},
	{"ss", "ß"},
	{"t", "ţťțṫṭṯṱẗŧ"},
	{"th", "þ"},
	{"u", "ùúûüũūŭůűųưǔǖǘǚǜȕȗṳṵṷṹṻụủứừửữự"},
	{"v", "ṽṿ"},
	{"w", "ŵẁẃẅẇẉẘ"},
	{"x", "ẋẍ"},
	{"y", "ýÿŷȳẏẙỳỵỷỹ"},
	{"z", "źżžẑẓẕ"},
	{"ſ", "ẛ"},
	{"ʒ", "ǯ"},
	{"ʹ", "ʹ"},
	{"α", "άἀἁἂἃἄἅἆἇὰάᾀᾁᾂᾃᾄᾅᾆᾇᾰᾱᾲᾳᾴᾶᾷ"},
	{"ε", "έἐἑἒἓἔἕὲέ"},
	{"η", "ήἠἡἢἣἤἥἦἧὴήᾐᾑᾒᾓᾔᾕᾖᾗῂῃῄῆῇ"},
	{"ι", "ΐίϊἰἱἲἳἴἵἶἷὶίιῐῑῒΐῖῗ"},
	{"ο", "όὀὁὂὃὄὅὸό"},
	{"ρ", "ῤῥ"},
	{"σ", "ς"},
	{"υ", "ΰϋύὐὑὒὓὔὕὖὗὺύῠῡῢΰῦῧ"},
	{"ω", "ώὠὡὢὣὤὥὦὧὼώᾠᾡᾢᾣᾤᾥᾦᾧῲῳῴῶῷ"},
	{"ϒ", "ϓϔ"},
	{"а", "ӑӓ"},
	{"г", "ѓ"},
	{"е", "ѐёӗ"},
	{"ж", "ӂӝ"},
	{"з", "ӟ"},
	{"и", "йѝӣӥ"},
	{"к", "ќ"},
	{"о", "ӧ"},
	{"у", "ўӯӱӳ"},
	{"ч", "ӵ"},
	{"ы", "ӹ"},
	{"э", "ӭ"},
	{"і", "ї"},
	{"ѵ", "ѷ"},
	{"ә", "ӛ"},
	{"ө", "ӫ"},
}

var plainLetter = func() map[rune]string {
	m := map[rune]string{}
	for _, b := range bare {
		for _, r := range b.accented {
			m[r] = b.letter
		}
	}
	return m
}()

// Fold makes a text as a search sees it: small letters without accents, single spaces.
func Fold(text string) string {
	var b strings.Builder
	b.Grow(len(text))
	for _, r := range text {
		if r < unicode.MaxASCII {
			b.WriteByte(lowerASCII(byte(r)))
			continue
		}
		r = unicode.ToLower(r)
		switch plain := plainLetter[r]; {
		case plain != "":
			b.WriteString(plain)
		case unicode.Is(unicode.Mn, r): // an accent of its own
		default:
			b.WriteRune(r)
		}
	}
	return strings.Join(strings.Fields(b.String()), " ")
}

func lowerASCII(c byte) byte {
	if c >= 'A' && c <= 'Z' {
		return c + 'a' - 'A'
	}
	return c
}

// SimilarNames reports whether two names may be of one person: the same words but for a slip of the pen, in any
// order; a second name may be missing, and an initial stands for its name. Names alone prove nothing; they make
// somebody look.
func SimilarNames(a, b string) bool {
	x, y := nameWords(a), nameWords(b)
	if len(x) == 0 || len(y) == 0 {
		return false
	}
	if joined := strings.Join(x, ""); len(joined) >= 8 && joined == strings.Join(y, "") {
		return true // Hans-Peter is Hanspeter
	}
	if len(x) > len(y) {
		x, y = y, x
	}
	whole := false
	rest := slices.Clone(y)
	for _, word := range x {
		i := slices.IndexFunc(rest, func(other string) bool { return near(word, other) })
		if i < 0 {
			i = slices.IndexFunc(rest, func(other string) bool { return initial(word, other) })
		} else {
			whole = true
		}
		if i < 0 {
			return false
		}
		rest = slices.Delete(rest, i, i+1)
	}
	return whole
}

func nameWords(name string) []string {
	return strings.FieldsFunc(Fold(name), func(r rune) bool { return !unicode.IsLetter(r) && !unicode.IsDigit(r) })
}

func initial(a, b string) bool {
	x, y := []rune(a), []rune(b)
	return (len(x) == 1 || len(y) == 1) && x[0] == y[0]
}

// near reports whether two words are equal but for one letter, or two in a long word.
func near(a, b string) bool {
	x, y := []rune(a), []rune(b)
	most := 0
	switch n := min(len(x), len(y)); {
	case n >= 8:
		most = 2
	case n >= 4, n == 3 && len(x) != len(y): // Ana is Anna; Jan is not Jon
		most = 1
	}
	return distance(x, y) <= most
}

// distance counts letters to put in, leave out, exchange or swap with their neighbour.
func distance(a, b []rune) int {
	older, old, row := make([]int, len(b)+1), make([]int, len(b)+1), make([]int, len(b)+1)
	for j := range old {
		old[j] = j
	}
	for i := 1; i <= len(a); i++ {
		row[0] = i
		for j := 1; j <= len(b); j++ {
			cost := 1
			if a[i-1] == b[j-1] {
				cost = 0
			}
			row[j] = min(old[j]+1, row[j-1]+1, old[j-1]+cost)
			if i > 1 && j > 1 && a[i-1] == b[j-2] && a[i-2] == b[j-1] {
				row[j] = min(row[j], older[j-2]+1)
			}
		}
		older, old, row = old, row, older
	}
	return old[len(b)]
}
