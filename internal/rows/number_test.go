package rows

import (
	"math"
	"math/rand/v2"
	"strconv"
	"testing"
)

func TestFixed3IsRoundedAsTheStandardLibraryDoes(t *testing.T) {
	check := func(v float64) {
		t.Helper()
		if got, want := string(AppendFixed3(nil, v, '.')), strconv.FormatFloat(v, 'f', 3, 64); got != want {
			t.Fatalf("%v: %s, want %s", v, got, want)
		}
	}
	for _, v := range []float64{0, math.Copysign(0, -1), 0.0005, 0.0015, 0.0025, 1.0005, 2.5, 9.9995, 99.9995, 998.9995, 999, 999.9994, 1e15, -0.0004, -12.3455,
		0.125, 0.0625, 0.03125, 44.0625, 0.4375, math.Inf(1), math.NaN(), 5e-324, 40.442, 22.3965, -8.848} {
		check(v)
		check(-v)
	}
	r := rand.New(rand.NewPCG(1, 2))
	for range 1_000_000 {
		check((r.Float64() - 0.5) * 200)
		check(float64(r.IntN(2_000_000)) / 2000) // exact and near halves
		check(float64(r.IntN(10_000_000)) / 10000)
	}
	if got := string(AppendFixed3([]byte("x"), -1.5, ',')); got != "x-1,500" {
		t.Errorf("decimal comma: %s", got)
	}
	if got := string(AppendFixed3(nil, 1e9, ',')); got != "1000000000,000" {
		t.Errorf("decimal comma of a large number: %s", got)
	}
}

func TestNumbersAreTheNearestFloat(t *testing.T) {
	room := "                "
	check := func(text string) {
		t.Helper()
		want, err := strconv.ParseFloat(text, 64)
		if err != nil {
			t.Fatal(err)
		}
		if v, ok := Number([]byte(text), false); !ok || v != want {
			t.Fatalf("Number(%s) = %v, %v", text, v, ok)
		}
		if v, n := Decimal([]byte(text+","), '.'); n != 0 && (n != len(text) || v != want) {
			t.Fatalf("Decimal(%s) = %v, %d", text, v, n)
		}
		if v, end := QuickDecimal([]byte("ab"+text+","+room), 2, '.'); end != 0 && (end != 2+len(text) || v != want) {
			t.Fatalf("QuickDecimal(%s) = %v, %d", text, v, end)
		}
	}
	for _, text := range []string{"0", "7", "67", "1234567", "12345678", "0.5", "92.4", "0.0000001", "1234567.1234567", "123456789012345", "99999.99999", "00012"} {
		check(text)
	}
	r := rand.New(rand.NewPCG(1, 3))
	for range 300_000 {
		check(strconv.FormatFloat(r.Float64()*math.Pow(10, float64(r.IntN(9))), 'f', r.IntN(9), 64))
	}
	for _, text := range []string{"67", "92.4"} { // the common ones must go the quick way
		if _, end := QuickDecimal([]byte(text+","+room), 0, '.'); end == 0 {
			t.Errorf("%s is not read quickly", text)
		}
		if _, n := Decimal([]byte(text), '.'); n == 0 {
			t.Errorf("%s is not read by Decimal", text)
		}
	}
}

func TestWhatIsNoNumber(t *testing.T) {
	for _, text := range []string{"", "NaN", "Inf", "0x10", "1_0", "1,5", "1.2.3", "--1", "1e", "e5", "1 2", "٣"} {
		if v, ok := Number([]byte(text), false); ok {
			t.Errorf("Number(%q) = %v", text, v)
		}
	}
	for _, text := range []string{"1,2,3", "1.234,5", ",", "1,e"} {
		if v, ok := Number([]byte(text), true); ok {
			t.Errorf("Number(%q) with a decimal comma = %v", text, v)
		}
	}
	if v, ok := Number([]byte("70,5"), true); !ok || v != 70.5 {
		t.Errorf("70,5 = %v, %v", v, ok)
	}
	for _, text := range []string{"", "-", ".5", "5.", "x", "1234567890123456"} {
		if v, n := Decimal([]byte(text), '.'); n != 0 {
			t.Errorf("Decimal(%q) = %v, %d", text, v, n)
		}
	}
}

func FuzzNumber(f *testing.F) {
	for _, seed := range []string{"67", "92.4", "-1", "1e5", "0x1", "99999999", "1.", ".1", "1.0000000", "7,5"} {
		f.Add(seed)
	}
	f.Fuzz(func(t *testing.T, text string) {
		data := []byte(text + ",0000000000000000")
		want, wantErr := strconv.ParseFloat(text, 64)
		if v, end := QuickDecimal(data, 0, '.'); end == len(text) && end > 0 && (wantErr != nil || v != want) {
			t.Fatalf("QuickDecimal(%q) = %v, want %v (%v)", text, v, want, wantErr)
		}
		if v, n := Decimal(data, '.'); n == len(text) && n > 0 && (wantErr != nil || v != want) {
			t.Fatalf("Decimal(%q) = %v, want %v (%v)", text, v, want, wantErr)
		}
		if v, ok := Number([]byte(text), false); ok && (wantErr != nil || v != want) {
			t.Fatalf("Number(%q) = %v, want %v (%v)", text, v, want, wantErr)
		}
	})
}
