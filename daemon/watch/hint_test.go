package watch

import "testing"

func TestHintIsOneLine(t *testing.T) {
	for want, h := range map[string]Hint{
		`none`:                       {},
		`away`:                       {Kind: Away},
		`rescan (events overflowed)`: {Kind: Rescan, Why: Overflowed},
		`touched "2026-03-02 Tern Island/A001.raw"`: {Kind: Touched, Path: "2026-03-02 Tern Island/A001.raw"},
		`limited (watch limit reached, folders watched: 7, remedy: "x")`: {
			Kind: Limited, Why: LimitReached, Watched: 7, Remedy: "x",
		},
	} {
		if got := h.String(); got != want {
			t.Errorf("got %s, want %s", got, want)
		}
	}
}
