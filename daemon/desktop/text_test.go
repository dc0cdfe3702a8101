package desktop

import (
	"html"
	"strings"
	"testing"
	"unicode"
	"unicode/utf8"
)

func TestClean(t *testing.T) {
	long := strings.Repeat("é", 70)
	for _, c := range []struct{ name, in, line, text string }{
		{"plain", `"2026-03-02 Tern Island" has one copy`, `"2026-03-02 Tern Island" has one copy`, `"2026-03-02 Tern Island" has one copy`},
		{"lines", "first\r\nsecond\u2028third", "first second third", "first\nsecond\nthird"},
		{"tab", "a\tb", "a b", "a b"},
		{"edges", " \n A001.mov \n", "A001.mov", "A001.mov"},
		{"invalid", "A0\xff\xfe01.mov", "A0\uFFFD01.mov", "A0\uFFFD01.mov"},
		{"surrogate", "A\xed\xa0\x80B", "A\uFFFDB", "A\uFFFDB"},
		{"terminal escapes", "\x1b[31mred\x1b[0m\x00\x7f\u009b1m", "[31mred[0m1m", "[31mred[0m1m"},
		{"direction", "gull\u202egpj.mov\u2066x\u2069", "gullgpj.movx", "gullgpj.movx"},
		{"marks stay", "\u200fطائر\u200f.mov", "\u200fطائر\u200f.mov", "\u200fطائر\u200f.mov"},
		{"joined emoji stay", "👩‍🔬", "👩‍🔬", "👩‍🔬"},
		{"nothing left", "\x00\u202e \n", "", ""},
		{"long", long, strings.Repeat("é", 59) + "…", long},
		{"cut at a space", strings.Repeat("a", 58) + " terns", strings.Repeat("a", 58) + "…", strings.Repeat("a", 58) + " terns"},
		{"exactly fits", strings.Repeat("a", 60), strings.Repeat("a", 60), strings.Repeat("a", 60)},
	} {
		t.Run(c.name, func(t *testing.T) {
			if got := cleanLine(c.in, 60); got != c.line {
				t.Errorf("line %q, want %q", got, c.line)
			}
			if got := cleanText(c.in, 400); got != c.text {
				t.Errorf("text %q, want %q", got, c.text)
			}
		})
	}
}

func FuzzClean(f *testing.F) {
	for _, s := range []string{"", "A001.mov", "\xff\xfe", "a\r\nb", "<b>&amp;</b>", "\u202egpj", "\u2029", " \u0085 ", strings.Repeat("\xf0\x9f", 500)} {
		f.Add(s)
	}
	f.Fuzz(func(t *testing.T, s string) {
		check := func(got string, limit int, allowed rune) {
			if !utf8.ValidString(got) {
				t.Errorf("%q became invalid %q", s, got)
			}
			if n := utf8.RuneCountInString(got); n > limit {
				t.Errorf("%q became %d characters, limit %d", s, n, limit)
			}
			for _, r := range got {
				if r != allowed && (unicode.IsControl(r) || unicode.Is(unicode.Zl, r) || unicode.Is(unicode.Zp, r) || overridesDirection(r)) {
					t.Errorf("%q became %q with %U", s, got, r)
				}
			}
		}
		line, text := cleanLine(s, summaryLimit), cleanText(s, bodyLimit)
		check(line, summaryLimit, ' ')
		check(text, bodyLimit, '\n')
		if again := cleanLine(line, summaryLimit); again != line {
			t.Errorf("line %q cleaned again is %q", line, again)
		}
		if again := cleanText(text, bodyLimit); again != text {
			t.Errorf("text %q cleaned again is %q", text, again)
		}
		escaped := markupEscaper.Replace(text)
		if strings.ContainsAny(escaped, "<>") {
			t.Errorf("markup left in %q", escaped)
		}
		if html.UnescapeString(escaped) != text {
			t.Errorf("%q escaped is %q, which reads %q", text, escaped, html.UnescapeString(escaped))
		}
	})
}
