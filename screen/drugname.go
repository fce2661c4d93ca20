package screen

import "strings"

// BetaBlocker reports whether the name of a drug, or what was written about it, is that of a beta-blocker: the class or
// one of its examples in the table of drugs.
func BetaBlocker(name string) bool {
	name = strings.ToLower(name)
	for _, d := range Shipped().Drugs {
		if d.Word != "beta_blocker" {
			continue
		}
		for _, known := range append(strings.Split(d.Examples, ","), "beta-blocker", "beta blocker", "betablocker", "beta_blocker") {
			if known = strings.TrimSpace(strings.ToLower(known)); known != "" && strings.Contains(name, known) {
				return true
			}
		}
	}
	return false
}
