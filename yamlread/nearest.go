package yamlread

import "strings"

// nearest gives the hint for a word that is not among the known ones.
func nearest(word string, known []string) string {
	best, bestDistance := "", len([]rune(word))/3+2
	for _, candidate := range known {
		if d := distance(strings.ToLower(word), candidate); d < bestDistance {
			best, bestDistance = candidate, d
		}
	}
	if best != "" {
		return "did you mean " + best + "?"
	}
	if len(known) == 0 {
		return "no keys are known here"
	}
	return "known keys: " + strings.Join(known, ", ")
}

// distance counts the letters to insert, remove, change or swap with a neighbour to turn a into b.
func distance(a, b string) int {
	x, y := []rune(a), []rune(b)
	if len(x) > 64 || len(y) > 64 {
		return 64
	}
	var before, last []int
	now := make([]int, len(y)+1)
	for j := range now {
		now[j] = j
	}
	for i := 1; i <= len(x); i++ {
		before, last, now = last, now, make([]int, len(y)+1)
		now[0] = i
		for j := 1; j <= len(y); j++ {
			change := last[j-1]
			if x[i-1] != y[j-1] {
				change++
			}
			now[j] = min(last[j]+1, now[j-1]+1, change)
			if i > 1 && j > 1 && x[i-1] == y[j-2] && x[i-2] == y[j-1] {
				now[j] = min(now[j], before[j-2]+1)
			}
		}
	}
	return now[len(y)]
}
