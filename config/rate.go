package config

import (
	"fmt"
	"math"
	"strconv"
	"strings"
)

// Rate is in bytes per second; zero means no limit. Its units are decimal, as
// on the drive's box.
type Rate int64

const rateExpected = `a rate such as "40 MB/s", or "0" for no limit`

// rateUnits are tried in this order; the capitals matter, for Mb/s would be bits.
var rateUnits = []struct {
	name  string
	bytes int64
}{
	{"TB/s", 1e12}, {"GB/s", 1e9}, {"MB/s", 1e6}, {"kB/s", 1e3}, {"KB/s", 1e3}, {"B/s", 1},
}

// UnmarshalText reads what String writes, with or without the space.
func (r *Rate) UnmarshalText(text []byte) error {
	rate, ok := parseRate(string(text))
	if !ok {
		return &valueError{quoted(text), rateExpected}
	}
	*r = rate
	return nil
}

func parseRate(s string) (Rate, bool) {
	if s == "0" {
		return 0, true
	}
	for _, unit := range rateUnits {
		if number, ok := strings.CutSuffix(s, unit.name); ok {
			return scaleRate(strings.TrimSpace(number), unit.bytes)
		}
	}
	return 0, false
}

// scaleRate refuses a rate that would round to zero: it would lift the limit
// that its writer wanted to be strict.
func scaleRate(number string, unit int64) (Rate, bool) {
	if strings.Trim(number, "0123456789.") != "" {
		return 0, false // strconv knows signs, exponents and infinity
	}
	n, err := strconv.ParseFloat(number, 64)
	bytes := math.Round(n * float64(unit))
	if err != nil || bytes >= 1<<53 || bytes == 0 && n != 0 {
		return 0, false
	}
	return Rate(bytes), true
}

// String writes the largest unit that needs no fraction.
func (r Rate) String() string {
	for _, unit := range rateUnits {
		if r != 0 && int64(r)%unit.bytes == 0 {
			return fmt.Sprintf("%d %s", int64(r)/unit.bytes, unit.name)
		}
	}
	return "0"
}

// MarshalText writes what UnmarshalText reads.
func (r Rate) MarshalText() ([]byte, error) { return []byte(r.String()), nil }
