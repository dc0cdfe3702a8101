package config

import (
	"fmt"
	"math"
	"strings"
	"time"
)

// Duration is a length of time that is never negative. It is written as in Go,
// with d for days of 24 hours and w for weeks besides: "90d", "1d12h", "2w".
type Duration time.Duration

const durationExpected = `a duration such as "30m", "1d12h" or "90d"`

// UnmarshalText reads what String writes, and every other way of putting it.
func (d *Duration) UnmarshalText(text []byte) error {
	total, ok := parseDuration(string(text))
	if !ok {
		return &valueError{quoted(text), durationExpected}
	}
	*d = Duration(total)
	return nil
}

// parseDuration adds up the parts of s, each a number and a unit.
func parseDuration(s string) (total time.Duration, ok bool) {
	if s == "0" {
		return 0, true
	}
	for rest := s; rest != ""; {
		number, unit, tail := cutPart(rest)
		part, ok := parsePart(number, unit)
		if !ok || part > math.MaxInt64-total {
			return 0, false
		}
		total, rest = total+part, tail
	}
	return total, s != ""
}

// cutPart splits the first number and its unit off s.
func cutPart(s string) (number, unit, rest string) {
	isNumber := func(r rune) bool { return r == '.' || '0' <= r && r <= '9' }
	number = s[:len(s)-len(strings.TrimLeftFunc(s, isNumber))]
	s = s[len(number):]
	unit = s[:len(s)-len(strings.TrimLeftFunc(s, func(r rune) bool { return !isNumber(r) }))]
	return number, unit, s[len(unit):]
}

// parsePart leaves the number to Go, which knows fractions and overflow. With
// number made of digits and dots alone, no sign can slip in.
func parsePart(number, unit string) (time.Duration, bool) {
	times := time.Duration(1)
	switch unit {
	case "d":
		unit, times = "h", 24
	case "w":
		unit, times = "h", 7*24
	}
	part, err := time.ParseDuration(number + unit)
	if err != nil || number == "" || unit == "" || part > math.MaxInt64/times {
		return 0, false
	}
	return part * times, true
}

// String writes whole days as such and the rest as Go does, without the zeros
// that Go would add.
func (d Duration) String() string {
	const day = 24 * time.Hour
	days, rest := time.Duration(d)/day, time.Duration(d)%day
	text := rest.String()
	if strings.HasSuffix(text, "m0s") {
		text = strings.TrimSuffix(text, "0s")
	}
	if strings.HasSuffix(text, "h0m") {
		text = strings.TrimSuffix(text, "0m")
	}
	switch {
	case days == 0:
		return text
	case rest == 0:
		return fmt.Sprintf("%dd", days)
	}
	return fmt.Sprintf("%dd%s", days, text)
}

// MarshalText writes what UnmarshalText reads.
func (d Duration) MarshalText() ([]byte, error) { return []byte(d.String()), nil }
