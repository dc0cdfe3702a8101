package lists

import (
	"fmt"
	"strings"
	"testing"
	"unicode/utf16"
	"unicode/utf8"

	"copyhold/replicate"
)

func TestNames(t *testing.T) {
	tests := []struct {
		working, shoot string
		traits         replicate.Traits
		want           string // without suffix
	}{
		{working, shoot, replicate.Traits{}, "Shoots/2026-03-02 Tern Island"},
		{working, replicate.LooseFiles, exfat, "Shoots/(loose files)"},
		{working, "Tern: Island", replicate.Traits{}, "Shoots/Tern: Island"},
		{working, "Tern: Island", exfat, "Shoots/Tern%3A Island"},
		{working, "Tern%3A Island", exfat, "Shoots/Tern%253A Island"},
		{"Shoots.", "Tern Island.", exfat, "Shoots%2E/Tern Island."},
		{working, "caf\xe9", exfat, "Shoots/caf%E9"},
		{working, "x~0123456789abcdef", replicate.Traits{}, "Shoots/x~0123456789abcdef~d00437a5f2d3de18"}, // as sha256sum has it,
		{working, strings.Repeat("a", 250), replicate.Traits{}, "Shoots/" + strings.Repeat("a", 250)},
	}
	for _, test := range tests {
		sums, list, ok := Names(test.working, test.shoot, test.traits)
		if want := ".copyhold/lists/" + test.want; !ok || sums != want+".b3" || list != want+".json" {
			t.Errorf("%q: got %q, %q, %v, want %q", test.shoot, sums, list, ok, want)
		}
	}
}

func TestNoNames(t *testing.T) {
	tests := []struct {
		working, shoot string
		traits         replicate.Traits
	}{
		{"", shoot, exfat}, {working, "", exfat}, {"..", shoot, exfat}, {working, "..", exfat}, {"a/b", shoot, exfat},
		{working, "a/b", exfat}, {".Copyhold", shoot, exfat}, {working, "a\x00", exfat},
		{strings.Repeat("a", 256), shoot, exfat},
		{"W", shoot, replicate.Traits{MaxName: 21}},
	}
	for _, test := range tests {
		if sums, list, ok := Names(test.working, test.shoot, test.traits); ok || sums != "" || list != "" {
			t.Errorf("%q, %q: got %q, %q, %v", test.working, test.shoot, sums, list, ok)
		}
	}
}

// Long names are cut between runes and between escapes, fill the room there is
// and never meet, not even a shoot that is called like the cut form.
func TestNamesCut(t *testing.T) {
	short := replicate.Traits{MaxName: 40, Forbidden: ":", UTF8Only: true}
	wide := replicate.Traits{MaxName: 40, NameInUTF16: true}
	seen := map[string]string{} // shoot of each name
	for _, traits := range []replicate.Traits{{}, exfat, short, wide} {
		for _, unit := range []string{"a", "é", "灯", "😀", ":", "\xff", "%41", "e\u0301"} {
			for n := 1; n <= 300; n += 1 + n/20 {
				name := strings.Repeat(unit, n)
				stem := checkNames(t, name, traits)
				for shoot, stem := range map[string]string{
					name: stem, replicate.OwnPath(stem, traits): checkNames(t, replicate.OwnPath(stem, traits), traits),
				} {
					key := fmt.Sprint(traits, stem)
					if before, met := seen[key]; met && before != shoot {
						t.Errorf("%q and %q meet in %q", shoot, before, stem)
					}
					seen[key] = shoot
				}
			}
		}
	}
}

// checkNames returns the name that the two lists share, without suffix.
func checkNames(t *testing.T, shoot string, traits replicate.Traits) string {
	t.Helper()
	sums, list, ok := Names(working, shoot, traits)
	stem, isList := strings.CutSuffix(strings.TrimPrefix(list, ListsDir+"/"+working+"/"), ".json")
	if !ok || !isList || sums != ListsDir+"/"+working+"/"+stem+".b3" {
		t.Fatalf("%q: got %q, %q, %v", shoot, sums, list, ok)
	}
	units := len(stem) + len(".json")
	if traits.NameInUTF16 {
		units = len(utf16.Encode([]rune(stem + ".json")))
	}
	limit := traits.MaxName
	if limit == 0 {
		limit = 255
	}
	if units > limit {
		t.Errorf("%q has %d of %d units", stem, units, limit)
	}
	if utf8.ValidString(shoot) && !utf8.ValidString(stem) {
		t.Errorf("%q: a rune was cut: %q", shoot, stem)
	}
	own, cut := replicate.OwnPath(stem, traits), false
	if own != shoot {
		own, cut = strings.TrimSuffix(own, mark(working, shoot)), true
	}
	if !strings.HasPrefix(shoot, own) {
		t.Errorf("%q: an escape was cut: %q", shoot, stem)
	}
	if cut && len(own) < len(shoot) && units < limit-9 {
		t.Errorf("%q: only %d of %d units are used", stem, units, limit)
	}
	return stem
}

// Suffixes in a shoot's name lead to no other's lists, and nothing a shoot can be called does.
func TestNamesMeetNever(t *testing.T) {
	chance := seeded(t)
	shoots := []string{"x", "x.json", "x.b3", "x.json.json", "x.json.b3", "x.b3.json", ".b3", ".json", "X~0123456789ABCDEF"}
	for range 500 {
		shoots = append(shoots, randomName(chance)+strings.Repeat("é:", chance.IntN(70)))
	}
	for _, traits := range []replicate.Traits{{}, exfat} {
		owner := map[string]string{}
		for _, shoot := range shoots {
			sums, list, ok := Names(working, shoot, traits)
			sumsTwin, listTwin, okTwin := NamesOfTwin(working, shoot, traits)
			if !ok || !okTwin {
				t.Fatalf("%q has no names", shoot)
			}
			for _, name := range []string{sums, list, sumsTwin, listTwin} {
				if before, taken := owner[name]; taken && before != shoot {
					t.Errorf("%q and %q meet in %q", before, shoot, name)
				}
				owner[name] = shoot
			}
		}
	}
}

// Twins are told apart on a drive that folds case.
func TestNamesOfTwin(t *testing.T) {
	_, plain, _ := Names(working, "tern island", exfat)
	_, twin, _ := NamesOfTwin(working, "Tern Island", exfat)
	_, other, _ := NamesOfTwin("shoots", "Tern Island", exfat)
	if strings.EqualFold(plain, twin) || strings.EqualFold(twin, other) {
		t.Errorf("one name: %q, %q, %q", plain, twin, other)
	}
	if !strings.HasPrefix(twin, ".copyhold/lists/Shoots/Tern Island~") {
		t.Errorf("got %q", twin)
	}
}
