package exchange

import "testing"

// A list of study codes is read or refused with its place, whatever it holds.
func FuzzReadCodes(f *testing.F) {
	for _, text := range []string{"participant,code\nA-1,S-2\n", "\"participant,code\"\nA-1\n", "participant,code\nA-1\n", "participant,code,more\nA-1,S-2,x\n", ""} {
		f.Add([]byte(text))
	}
	f.Fuzz(func(t *testing.T, text []byte) {
		codes, err := ReadCodes("fuzz.csv", text)
		for who, code := range codes {
			if err == nil && (who == "" || code == "" || who == code) {
				t.Errorf("%q has the code %q", who, code)
			}
		}
	})
}
