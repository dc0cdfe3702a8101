package config

import (
	"encoding"
	"testing"
	"time"
)

// value is what all types with a text of their own can do.
type value[T any] interface {
	*T
	encoding.TextUnmarshaler
	encoding.TextMarshaler
}

// testText checks what text means and how it is written again; a canonical of
// "!" means that it is refused.
func testText[T comparable, P value[T]](t *testing.T, text string, want T, canonical string) {
	t.Helper()
	var got T
	err := P(&got).UnmarshalText([]byte(text))
	if refused := canonical == "!"; refused != (err != nil) {
		t.Errorf("%q: got error %v, refused should be %v", text, err, refused)
		return
	}
	if err != nil {
		return
	}
	if got != want {
		t.Errorf("%q: got %v, want %v", text, got, want)
	}
	if b, _ := P(&got).MarshalText(); string(b) != canonical {
		t.Errorf("%q: written as %q, want %q", text, b, canonical)
	}
	var again T
	if err := P(&again).UnmarshalText([]byte(canonical)); err != nil || again != want {
		t.Errorf("%q: read back as %v, %v", canonical, again, err)
	}
}

func TestDuration(t *testing.T) {
	const day = 24 * time.Hour
	for _, tt := range []struct {
		text      string
		want      time.Duration
		canonical string
	}{
		{"90d", 90 * day, "90d"},
		{"30m", 30 * time.Minute, "30m"},
		{"1d12h", 36 * time.Hour, "1d12h"},
		{"2w", 14 * day, "14d"},
		{"1w1d1h1m1s", 8*day + time.Hour + time.Minute + time.Second, "8d1h1m1s"},
		{"1.5d", 36 * time.Hour, "1d12h"},
		{"90m", 90 * time.Minute, "1h30m"},
		{"1h", time.Hour, "1h"},
		{"10m", 10 * time.Minute, "10m"},
		{"100s", 100 * time.Second, "1m40s"},
		{"1h1s", time.Hour + time.Second, "1h0m1s"},
		{"250ms", 250 * time.Millisecond, "250ms"},
		{"0", 0, "0s"},
		{"0d", 0, "0s"},
		{"", 0, "!"}, {"5", 0, "!"}, {"d", 0, "!"}, {"-5d", 0, "!"}, {"+5d", 0, "!"}, {"3 days", 0, "!"},
		{"5 d", 0, "!"}, {" 5d", 0, "!"}, {"5D", 0, "!"}, {"1d-1h", 0, "!"}, {".d", 0, "!"}, {"1.2.3d", 0, "!"},
		{"106752d", 0, "!"}, {"15251w", 0, "!"}, {"106751d24h", 0, "!"}, {"9223372036854775807d", 0, "!"},
	} {
		testText[Duration](t, tt.text, Duration(tt.want), tt.canonical)
	}
}

func TestRate(t *testing.T) {
	for _, tt := range []struct {
		text      string
		want      Rate
		canonical string
	}{
		{"0", 0, "0"},
		{"0 MB/s", 0, "0"},
		{"40 MB/s", 40e6, "40 MB/s"},
		{"40MB/s", 40e6, "40 MB/s"},
		{"1.5 GB/s", 15e8, "1500 MB/s"},
		{"500 kB/s", 5e5, "500 kB/s"},
		{"500 KB/s", 5e5, "500 kB/s"},
		{"1 TB/s", 1e12, "1 TB/s"},
		{"1234 B/s", 1234, "1234 B/s"},
		{"", 0, "!"}, {"40", 0, "!"}, {"40 MB", 0, "!"}, {"40 Mb/s", 0, "!"}, {"40 mb/s", 0, "!"}, {"MB/s", 0, "!"},
		{"40 MiB/s", 0, "!"}, {"-1 MB/s", 0, "!"}, {"1e3 MB/s", 0, "!"}, {"inf MB/s", 0, "!"}, {"NaN B/s", 0, "!"},
		{"0.1 B/s", 0, "!"}, {"99999 TB/s", 0, "!"}, {". MB/s", 0, "!"}, {"fast", 0, "!"},
	} {
		testText[Rate](t, tt.text, tt.want, tt.canonical)
	}
}

func TestQuietHours(t *testing.T) {
	for _, tt := range []struct {
		text      string
		want      QuietHours
		canonical string
	}{
		{"", QuietHours{}, ""},
		{"09:00-18:00", QuietHours{9 * time.Hour, 18 * time.Hour}, "09:00-18:00"},
		{"22:30 - 06:05", QuietHours{22*time.Hour + 30*time.Minute, 6*time.Hour + 5*time.Minute}, "22:30-06:05"},
		{"18:00-00:00", QuietHours{18 * time.Hour, 0}, "18:00-00:00"},
		{"09:00", QuietHours{}, "!"}, {"9:00-18:00", QuietHours{}, "!"}, {"09:00-24:00", QuietHours{}, "!"},
		{"09:60-10:00", QuietHours{}, "!"}, {"09:00-09:00", QuietHours{}, "!"}, {"00:00-00:00", QuietHours{}, "!"},
		{"09:00-18:00-19:00", QuietHours{}, "!"}, {" ", QuietHours{}, "!"}, {"-", QuietHours{}, "!"},
	} {
		testText[QuietHours](t, tt.text, tt.want, tt.canonical)
	}
}

func TestQuietHoursContains(t *testing.T) {
	for _, tt := range []struct{ hours, within, without string }{
		{"", "", "00:00 12:00 23:59"},
		{"09:00-18:00", "09:00 12:00 17:59", "08:59 18:00 00:00"},
		{"22:00-06:00", "22:00 23:59 00:00 05:59", "06:00 21:59 12:00"},
		{"18:00-00:00", "18:00 23:59", "00:00 17:59"},
	} {
		var q QuietHours
		if err := q.UnmarshalText([]byte(tt.hours)); err != nil {
			t.Fatal(err)
		}
		testContains(t, q, tt.within, true)
		testContains(t, q, tt.without, false)
	}
}

func testContains(t *testing.T, q QuietHours, clocks string, want bool) {
	t.Helper()
	for len(clocks) >= 5 {
		now, err := time.Parse("15:04", clocks[:5])
		if err != nil {
			t.Fatal(err)
		}
		if got := q.Contains(now); got != want {
			t.Errorf("%q contains %s: got %v", q, clocks[:5], got)
		}
		clocks = clocks[min(6, len(clocks)):]
	}
}
