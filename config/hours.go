package config

import (
	"fmt"
	"strings"
	"time"
)

// QuietHours is a span of every day, by the clock on the wall. From is in it and
// To is not; From after To crosses midnight. The zero value is no span at all.
type QuietHours struct {
	// From and To are since midnight, in whole minutes, below 24 hours.
	From, To time.Duration
}

const hoursExpected = `two different times such as "09:00-18:00" or "22:00-06:00", or "" for none`

// UnmarshalText reads what String writes. Equal times are refused: they could
// mean the whole day as well as nothing.
func (q *QuietHours) UnmarshalText(text []byte) error {
	hours, ok := parseHours(string(text))
	if !ok {
		return &valueError{quoted(text), hoursExpected}
	}
	*q = hours
	return nil
}

func parseHours(s string) (QuietHours, bool) {
	if s == "" {
		return QuietHours{}, true
	}
	from, to, _ := strings.Cut(s, "-")
	a, okA := parseClock(strings.TrimSpace(from))
	b, okB := parseClock(strings.TrimSpace(to))
	return QuietHours{From: a, To: b}, okA && okB && a != b
}

// parseClock takes exactly HH:MM. The length is checked because Go would take
// one-digit hours too, and one way of writing is enough.
func parseClock(s string) (time.Duration, bool) {
	t, err := time.Parse("15:04", s)
	if err != nil || len(s) != len("15:04") {
		return 0, false
	}
	return sinceMidnight(t), true
}

func sinceMidnight(t time.Time) time.Duration {
	return time.Duration(t.Hour())*time.Hour + time.Duration(t.Minute())*time.Minute
}

// Contains reports whether now is in the quiet hours of its own time zone.
func (q QuietHours) Contains(now time.Time) bool {
	clock := sinceMidnight(now)
	if q.From <= q.To {
		return q.From <= clock && clock < q.To
	}
	return clock >= q.From || clock < q.To
}

// String is empty for the zero value.
func (q QuietHours) String() string {
	if q == (QuietHours{}) {
		return ""
	}
	return clockText(q.From) + "-" + clockText(q.To)
}

func clockText(d time.Duration) string {
	return fmt.Sprintf("%02d:%02d", d/time.Hour, d%time.Hour/time.Minute)
}

// MarshalText writes what UnmarshalText reads.
func (q QuietHours) MarshalText() ([]byte, error) { return []byte(q.String()), nil }
