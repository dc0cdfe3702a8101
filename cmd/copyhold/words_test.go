package main

import (
	"testing"
	"time"
)

func TestWhen(t *testing.T) {
	for _, tt := range []struct {
		at   time.Time
		want string
	}{
		{time.Time{}, "never"},
		{now, "just now (2026-11-25 18:03)"},
		{before(days(3)), "3 days ago (2026-11-22 18:03)"},
		{before(90 * time.Minute), "1 hour ago (2026-11-25 16:33)"},
		{now.Add(2 * time.Hour), "in 2 hours (2026-11-25 20:03)"},
		{before(time.Hour).UTC(), "1 hour ago (2026-11-25 17:03)"},
	} {
		if got := when(tt.at, now); got != tt.want {
			t.Errorf("when(%v) = %q, want %q", tt.at, got, tt.want)
		}
	}
}

func TestDay(t *testing.T) {
	on := func(y int, m time.Month, d int) time.Time { return time.Date(y, m, d, 0, 0, 0, 0, time.UTC) }
	night := time.Date(2026, 11, 26, 0, 20, 0, 0, zone) // still the 25th in universal time
	for _, tt := range []struct {
		at   time.Time
		want string
	}{
		{time.Time{}, "never"},
		{on(2026, 11, 25), "today (2026-11-25)"},
		{on(2026, 11, 24), "yesterday (2026-11-24)"},
		{on(2026, 10, 26), "30 days ago (2026-10-26)"},
		{before(time.Hour), "today (2026-11-25)"},
	} {
		if got := day(tt.at, now); got != tt.want {
			t.Errorf("day(%v) = %q, want %q", tt.at, got, tt.want)
		}
	}
	if got := day(night.Add(-time.Hour), night); got != "yesterday (2026-11-25)" {
		t.Errorf("an instant is of the reader's day, got %q", got)
	}
	if got := day(on(2026, 11, 25), night); got != "today (2026-11-25)" {
		t.Errorf("a day is one of universal time, got %q", got)
	}
}

func TestNumbers(t *testing.T) {
	for _, tt := range []struct{ got, want string }{
		{ofAll(640, 640), "640"},
		{ofAll(212, 1640), "212 of 1,640"},
		{ofAll(0, 640), "–"},
		{ofAll(0, 0), "0"},
		{files(1), "1 file"},
		{files(12), "12 files"},
		{size(2 * tb), "2 TB"},
		{size(612 * gb), "612 GB"},
		{size(8_400_000_000), "8.4 GB"},
		{size(-1), "0 B"},
		{lasting(40), "40 s"},
		{lasting(516), "9 min"},
		{lasting(3599), "60 min"},
		{lasting(7800), "2 h 10 min"},
		{list([]string{"a", "b", "c"}), "a, b and c"},
		{quotedList([]string{"Slate"}), `"Slate"`},
		{list(nil), ""},
	} {
		if tt.got != tt.want {
			t.Errorf("got %q, want %q", tt.got, tt.want)
		}
	}
}
