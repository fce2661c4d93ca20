package audit

import (
	"bytes"
	"context"
	"encoding/json"
	"fmt"
	"os"
	"strings"
	"testing"
)

// TestVectors follows every chain of the vectors: what is expected of it, and where the first fault lies.
func TestVectors(t *testing.T) {
	text, err := os.ReadFile("testdata/audit_hash_chain.json")
	if err != nil {
		t.Fatal(err)
	}
	var file struct {
		Vectors []struct {
			ID, Note string
			Entries  []json.RawMessage
			Hashes   []string
			Expect   struct {
				OK                                         bool
				FirstBad                                   int64
				Head, DetectableOnlyBy, DiffersFromWitness string
			}
		}
	}
	if err := json.Unmarshal(text, &file); err != nil {
		t.Fatal(err)
	}
	whole := file.Vectors[0]
	for _, v := range file.Vectors {
		t.Run(v.ID+" "+v.Note, func(t *testing.T) {
			check := func(anchors ...Anchor) (Head, []Fault) {
				c := Checker{Anchors: anchors}
				for i, raw := range v.Entries {
					e := read(t, raw)
					hash, err := ParseHash(v.Hashes[i])
					if err != nil {
						t.Fatal(err)
					}
					c.Add(e.Seq, e.Canonical(), hash)
				}
				return c.End()
			}
			head, faults := check()
			if v.Expect.OK != (len(faults) == 0) {
				t.Fatalf("faults %v", faults)
			}
			if !v.Expect.OK {
				if faults[0].Seq != v.Expect.FirstBad {
					t.Errorf("first fault at %v, not %d", faults[0], v.Expect.FirstBad)
				}
				return
			}
			if head.Hash.String() != v.Expect.Head {
				t.Errorf("head %v", head)
			}
			if v.Expect.DetectableOnlyBy == "" && v.Expect.DiffersFromWitness == "" {
				return
			}
			witness := v.Expect.DiffersFromWitness
			if witness == "" {
				witness = whole.Expect.Head
			}
			_, faults = check(Anchor{Seq: int64(len(whole.Entries)), Digits: witness})
			if len(faults) != 1 || faults[0].Seq != int64(len(whole.Entries)) {
				t.Errorf("with an anchor: %v", faults)
			}
		})
	}
}

// read takes an entry as the vectors write it, with white space.
func read(t *testing.T, raw []byte) Entry {
	t.Helper()
	var e Entry
	d := json.NewDecoder(bytes.NewReader(raw))
	d.DisallowUnknownFields()
	if err := d.Decode(&e); err != nil {
		t.Fatal(err)
	}
	return e
}

// chain makes a trail of n entries.
func chain(n int) (entries []Entry, hashes []Hash) {
	var prev Hash
	for i := range n {
		e := Entry{Seq: int64(i + 1), At: fmt.Sprintf("2026-03-14T09:%02d:00Z", i), Actor: "account/1", Action: "add", Entity: fmt.Sprintf("test/T%d", i), After: "c1"}
		prev = Next(prev, e.Canonical())
		entries, hashes = append(entries, e), append(hashes, prev)
	}
	return entries, hashes
}

func follow(entries []Entry, hashes []Hash, anchors ...Anchor) []Fault {
	c := Checker{Anchors: anchors}
	for i, e := range entries {
		c.Add(e.Seq, e.Canonical(), hashes[i])
	}
	_, faults := c.End()
	return faults
}

// TestEveryBitIsCovered flips each bit of each canonical entry and each hash of a chain, removes each entry, and swaps
// each pair of neighbours: the first fault is there or, after a removed one, at the next.
func TestEveryBitIsCovered(t *testing.T) {
	entries, hashes := chain(6)
	if faults := follow(entries, hashes); len(faults) != 0 {
		t.Fatal(faults)
	}
	for i, e := range entries {
		text := e.Canonical()
		for bit := range 8 * (len(text) + len(Hash{})) {
			c := Checker{}
			for j, other := range entries {
				text, hash := other.Canonical(), hashes[j]
				if j == i && bit < 8*len(text) {
					text[bit/8] ^= 1 << (bit % 8)
				} else if j == i {
					hash[bit/8-len(text)] ^= 1 << (bit % 8)
				}
				c.Add(other.Seq, text, hash)
			}
			if _, faults := c.End(); len(faults) == 0 || faults[0].Seq != e.Seq {
				t.Fatalf("entry %d, bit %d: %v", e.Seq, bit, faults)
			}
		}
		without := func(i int) ([]Entry, []Hash) {
			return append(append([]Entry(nil), entries[:i]...), entries[i+1:]...), append(append([]Hash(nil), hashes[:i]...), hashes[i+1:]...)
		}
		less, lessHashes := without(i)
		faults := follow(less, lessHashes, Head{6, hashes[5]}.Anchor())
		if len(faults) != 1 || faults[0].Seq != min(e.Seq+1, 6) {
			t.Errorf("entry %d removed: %v", e.Seq, faults)
		}
		if i == 0 {
			continue
		}
		moved, movedHashes := append([]Entry(nil), entries...), append([]Hash(nil), hashes...)
		moved[i-1], moved[i], movedHashes[i-1], movedHashes[i] = moved[i], moved[i-1], movedHashes[i], movedHashes[i-1]
		if faults := follow(moved, movedHashes); len(faults) == 0 || faults[0].Seq != e.Seq {
			t.Errorf("entries %d and %d changed places: %v", i, i+1, faults)
		}
	}
}

// TestNumbersOfNewTrail: a trail that was made anew with a gap is consistent in its hashes; the numbers tell.
func TestNumbersOfNewTrail(t *testing.T) {
	entries, _ := chain(3)
	entries[2].Seq = 7
	var prev Hash
	var hashes []Hash
	for _, e := range entries {
		prev = Next(prev, e.Canonical())
		hashes = append(hashes, prev)
	}
	if faults := follow(entries, hashes); len(faults) != 1 || faults[0].Seq != 7 {
		t.Error(faults)
	}
}

func TestAnchors(t *testing.T) {
	entries, hashes := chain(5)
	key, other := []byte("a key that the server does not hold"), []byte("another")
	a := Head{3, hashes[2]}.Anchor().Sign(key)
	back, err := ParseAnchor(a.String())
	if err != nil || back != a || !back.Signed(key) || back.Signed(other) || back.Signed(nil) {
		t.Fatal(back, err)
	}
	if faults := follow(entries, hashes, Head{5, hashes[4]}.Short(), back, Head{0, Hash{}}.Anchor()); len(faults) != 0 {
		t.Error(faults)
	}
	wrong := Head{2, hashes[2]}.Short()
	if faults := follow(entries, hashes, wrong); len(faults) != 1 || faults[0].Seq != 2 || !strings.Contains(faults[0].What, "made anew") {
		t.Error(faults)
	}
	for _, text := range []string{"", "audit", "audit:1", "audit:x:0123456789abcdef", "audit:1:0123456789abcde", "audit:-1:0123456789abcdef", "audit:01:0123456789abcdef",
		"audit:1:0123456789ABCDEF", "audit:1:0123456789abcdef:", "audit:1:0123456789abcdef:00", "audit:1:0123456789abcdef:00:00"} {
		if a, err := ParseAnchor(text); err == nil {
			t.Errorf("%q gave %v", text, a)
		}
	}
	manifest := fmt.Sprintf("{\n  \"head\": \"%s\",\n  \"more\": 1}\nprinted on paper: (%s)\n", a, a)
	list, err := ReadAnchors(strings.NewReader(manifest), "manifest.json", key)
	if err != nil || len(list) != 2 || list[0] != a {
		t.Error(list, err)
	}
	for want, text := range map[string]string{
		"manifest.json:2: anchor 3 is not signed": "\n" + a.bare(),
		"manifest.json:1: \"audit:3:xyz\" is no":  "audit:3:xyz",
		"manifest.json: it holds no anchor":       "{}",
	} {
		if _, err := ReadAnchors(strings.NewReader(text), "manifest.json", key); err == nil || !strings.HasPrefix(err.Error(), want) {
			t.Errorf("%q: %v", text, err)
		}
	}
}

func file(entries []Entry, hashes []Hash) string {
	var b bytes.Buffer
	w := NewWriter(&b)
	for i, e := range entries {
		w.Add(e.Canonical(), hashes[i])
	}
	if err := w.End(); err != nil {
		panic(err)
	}
	return b.String()
}

func TestFile(t *testing.T) {
	entries, hashes := chain(4)
	entries[1].Note = "Zoë \"<&>\" \\ \n\t\x01 \u2028"
	var prev Hash
	for i, e := range entries {
		prev = Next(prev, e.Canonical())
		hashes[i] = prev
	}
	text := file(entries, hashes)
	var seen []Entry
	head, faults, err := CheckFile(strings.NewReader(text), "trail", []Anchor{Head{4, hashes[3]}.Anchor()}, func(e Entry) { seen = append(seen, e) })
	if err != nil || len(faults) != 0 || head != (Head{4, hashes[3]}) || len(seen) != 4 || seen[1] != entries[1] {
		t.Error(head, faults, err, seen)
	}
	lines := strings.SplitAfter(text, "\n")
	for name, c := range map[string]struct {
		text string
		seq  int64
	}{
		"edited":            {strings.Replace(text, "test/T2", "test/T9", 1), 3},
		"removed":           {lines[0] + lines[1] + lines[3] + lines[4], 3},
		"a key more":        {strings.Replace(text, `{"action":"add","actor":"account/1","after":"c1","at":"2026-03-14T09:02:00Z"`, `{"a":1,"action":"add","actor":"account/1","after":"c1","at":"2026-03-14T09:02:00Z"`, 1), 3},
		"other white space": {strings.Replace(text, `"at":"2026-03-14T09:03`, `"at": "2026-03-14T09:03`, 1), 4},
		"torn":              {text[:len(text)-40], 4},
	} {
		if _, faults, err := CheckFile(strings.NewReader(c.text), "trail", nil, nil); err != nil || len(faults) == 0 || faults[0].Seq != c.seq {
			t.Errorf("%s: %v %v", name, faults, err)
		}
	}
	if _, _, err := CheckFile(strings.NewReader("{\"format\":\"else\"}\n"), "trail", nil, nil); err == nil || !strings.HasPrefix(err.Error(), "trail:1: ") {
		t.Error(err)
	}
	if _, _, err := CheckFile(strings.NewReader(lines[0]+strings.Repeat("x", 2<<20)), "trail", nil, nil); err == nil {
		t.Error("a line without end was read")
	}
}

func TestWho(t *testing.T) {
	ctx := context.Background()
	if From(ctx) != System || From(With(ctx, Who{"account/2", "s1"})) != (Who{"account/2", "s1"}) {
		t.Error(From(ctx))
	}
}

// FuzzEntry: what is read is written the same, and the standard library reads the same from it.
func FuzzEntry(f *testing.F) {
	entries, _ := chain(1)
	f.Add(entries[0].Canonical())
	f.Add(Entry{Seq: 2, At: "x", Note: "Zoë \"\\\n\x01\u2028<"}.Canonical())
	f.Add([]byte(`{"at":"","seq":1}`))
	f.Fuzz(func(t *testing.T, text []byte) {
		e, err := ReadEntry(text)
		if err != nil {
			return
		}
		again, err := ReadEntry(e.Canonical())
		if err != nil || again != e {
			t.Fatal(again, err)
		}
	})
}

// FuzzFile: no text brings the reading of a trail down, and only a whole chain is without a fault.
func FuzzFile(f *testing.F) {
	entries, hashes := chain(3)
	f.Add(file(entries, hashes))
	f.Add(file(nil, nil))
	f.Fuzz(func(t *testing.T, text string) {
		var prev Hash
		good := true
		n := int64(0)
		head, faults, err := CheckFile(strings.NewReader(text), "trail", nil, func(e Entry) {
			n++
			prev = Next(prev, e.Canonical())
			good = good && e.Seq == n
		})
		if err == nil && len(faults) == 0 && (!good || head != (Head{n, prev})) {
			t.Fatalf("%v is no chain of %d entries", head, n)
		}
	})
}

func FuzzAnchor(f *testing.F) {
	f.Add("audit:3:0123456789abcdef")
	f.Fuzz(func(t *testing.T, text string) {
		if a, err := ParseAnchor(text); err == nil && a.String() != text {
			t.Fatalf("%q became %q", text, a)
		}
	})
}

// FuzzAnchors: no file of anchors brings the reading down; what is taken is an anchor each.
func FuzzAnchors(f *testing.F) {
	f.Add("audit:3:524c957cb06d4d8b74e25ac0b1dada77bfc1c2757344a3578482c0f404b3c899 2026-01-02\n")
	f.Add("{}\n")
	f.Fuzz(func(t *testing.T, text string) {
		all, err := ReadAnchors(strings.NewReader(text), "anchors", nil)
		for _, a := range all {
			if err == nil && a.String() == "" {
				t.Fatal(a)
			}
		}
	})
}
