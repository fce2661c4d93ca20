package sheet

import "strings"

// entry is a word or phrase of words.csv and what it means there.
type entry struct {
	phrase, means string
	part          bool // may stand within a longer text
}

func readWords(table string) map[string][]entry {
	all := map[string][]entry{}
	for _, r := range records(table) {
		all[r[0]] = append(all[r[0]], entry{plainText(r[1]), r[2], r[3] == "part"})
	}
	return all
}

// plainText is a text for looking up: small letters, words separated by single spaces, no marks.
func plainText(text string) string {
	return strings.Join(strings.FieldsFunc(strings.ToLower(text), func(r rune) bool {
		return (r < 'a' || r > 'z') && (r < '0' || r > '9') && r < 0x80
	}), " ")
}

// whole finds what a text means when it is one of the words of a kind.
func whole(kind, text string) (means string, ok bool) {
	text = plainText(text)
	for _, e := range lexicon[kind] {
		if e.phrase == text {
			return e.means, true
		}
	}
	return "", false
}

// within finds everything that a text says, in the order of the table, each meaning once. A phrase that was
// found is used up: "slightly breathless" is not "breathless" as well.
func within(kind, text string) (means []string) {
	if m, ok := whole(kind, text); ok {
		return []string{m}
	}
	rest := " " + plainText(text) + " "
	seen := map[string]bool{}
	for _, e := range lexicon[kind] {
		if !e.part || !strings.Contains(rest, " "+e.phrase+" ") {
			continue
		}
		rest = strings.ReplaceAll(rest, " "+e.phrase+" ", " | ")
		if !seen[e.means] {
			seen[e.means] = true
			means = append(means, e.means)
		}
	}
	return means
}

// denies reports whether a text begins by saying no: "no chest pain".
func denies(text string) bool {
	first, _, more := strings.Cut(plainText(text), " ")
	return more && (first == "no" || first == "not" || first == "denies" || first == "without" || first == "none")
}
