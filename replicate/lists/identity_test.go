package lists

import (
	"errors"
	"strings"
	"testing"
	"time"

	"copyhold/replicate"

	"github.com/google/go-cmp/cmp"
)

func slate() Identity {
	return Identity{
		Format: 1, ID: driveID, Name: "Slate", Place: replicate.Home, Created: noon,
		Volume: "1A2B-3C4D", Traits: exfat,
	}
}

// The identity file is a published format: lines may be added here, not edited.
const slateText = `{
  "what": "This folder belongs to Copyhold, which keeps checked copies of shoots on this drive; ` +
	`deleting it makes Copyhold forget the drive, while the copies beside it stay as they are.",
  "format": 1,
  "id": "00112233445566778899aabbccddeeff",
  "name": "Slate",
  "place": "home",
  "created": "2026-03-02T12:00:00Z",
  "volume": "1A2B-3C4D",
  "traits": {
    "probed": true,
    "folds_case": true,
    "forbidden": "\"*:\u003c\u003e?\\|",
    "utf8_only": true,
    "max_name": 0,
    "name_in_utf16": true,
    "largest_file": 0,
    "time_step": 10000000
  }
}
`

func TestIdentity(t *testing.T) {
	text := slate().Marshal()
	if diff := cmp.Diff(slateText, string(text)); diff != "" {
		t.Error(diff)
	}
	got, err := ParseIdentity(text)
	if err != nil {
		t.Fatal(err)
	}
	if diff := cmp.Diff(slate(), got); diff != "" {
		t.Error(diff)
	}
}

func TestIdentityRefused(t *testing.T) {
	tests := []struct{ old, new, want string }{
		{`{`, ``, "damaged or cut short"},
		{`Slate`, "Sl\xffte", "not text in UTF-8"},
		{`"Slate"`, `7`, "damaged or cut short"},
		{`"Slate"`, `" "`, "needs a name"},
		{`"Slate"`, `"Sl\nate"`, "control characters"},
		{`"Slate"`, `"Sl\u001bate"`, "control characters"},
		{`"Slate"`, `"` + strings.Repeat("é", 65) + `"`, "at most 64"},
		{`"id"`, `"di"`, "no drive id"},
		{`ddeeff`, `ddeeffa`, "32 lower-case hex digits"},
		{`ddeeff`, `DDEEFF`, "32 lower-case hex digits"},
		{`ddeeff`, `../etc`, "32 lower-case hex digits"},
		{`"home"`, `"attic"`, `unknown place "attic"`},
		{`"place": "home",`, ``, `unknown place ""`},
		{`"format": 1,`, ``, "no format"},
		{`"format": 1`, `"format": -1`, "no format"},
		{`12:00:00Z`, `12:00:00`, "not a time"},
		{`12:00:00Z`, `12:00:00+01:00`, "not a time"},
		{`"max_name": 0`, `"max_name": -1`, "traits that no drive can have"},
		{`"time_step": 1`, `"time_step": -1`, "traits that no drive can have"},
	}
	for _, test := range tests {
		if !strings.Contains(slateText, test.old) {
			t.Errorf("%q is not in the file", test.old)
		}
		_, err := ParseIdentity([]byte(strings.Replace(slateText, test.old, test.new, 1)))
		wantErr(t, err, test.want)
		if errors.Is(err, ErrNewer) {
			t.Errorf("%v: called newer", err)
		}
	}
}

// A drive whose power was cut while it was adopted may have any beginning of the file.
func TestIdentityCutShort(t *testing.T) {
	for n := range len(slateText) - 1 { // the last line break may go
		if _, err := ParseIdentity([]byte(slateText[:n])); err == nil {
			t.Errorf("%d of %d bytes are taken for an identity", n, len(slateText))
		}
	}
}

func TestIdentityNewer(t *testing.T) {
	text := strings.Replace(slateText, `"format": 1`, `"format": 2`, 1)
	for _, text := range []string{text, strings.Replace(text, `"Slate"`, `{"en": "Slate"}`, 1), `{"format": 2}`} {
		if _, err := ParseIdentity([]byte(text)); !errors.Is(err, ErrNewer) {
			t.Errorf("got error %v, want ErrNewer", err)
		}
	}
}

func TestNewID(t *testing.T) {
	random := [16]byte{0, 0x11, 0x22, 0x33, 0x44, 0x55, 0x66, 0x77, 0x88, 0x99, 0xaa, 0xbb, 0xcc, 0xdd, 0xee, 0xff}
	if got := NewID(random); got != driveID {
		t.Errorf("got %s, want %s", got, driveID)
	}
	if err := checkID(NewID([16]byte{})); err != nil {
		t.Error(err)
	}
}

func TestValidName(t *testing.T) {
	for _, name := range []string{"Slate", "Gray box, 2", "灯台", "👩‍🔬", strings.Repeat("é", 64), "a/b"} {
		if err := ValidName(name); err != nil {
			t.Errorf("%q: %v", name, err)
		}
	}
	for _, name := range []string{"", " ", "\u3000", "a\nb", "a\x00", "\x7f", "a\u0085", "a\u2028b", "\xff", strings.Repeat("é", 65)} {
		if ValidName(name) == nil {
			t.Errorf("%q is accepted", name)
		}
	}
}

// Times that RFC 3339 has no form for are not told; all others come back.
func TestTimes(t *testing.T) {
	beyond := time.Date(10000, 1, 1, 0, 0, 0, 0, time.UTC)
	for _, at := range []time.Time{{}, beyond, beyond.AddDate(-20000, 0, 0)} {
		if s := formatTime(at); s != "" {
			t.Errorf("%v is written %q", at, s)
		}
	}
	east := time.FixedZone("", 15*3600)
	for _, at := range []time.Time{noon.Add(1), noon.In(east), beyond.Add(-1), beyond.Add(-1).In(east), time.Unix(0, 0)} {
		got, err := parseTime(formatTime(at))
		if err != nil || !got.Equal(at) || got.Location() != time.UTC {
			t.Errorf("%v: got %v, %v", at, got, err)
		}
	}
}

func FuzzParseIdentity(f *testing.F) {
	f.Add([]byte(slateText))
	f.Add([]byte(`{"format":2}`))
	f.Add([]byte(`{"format":1,"id":"00112233445566778899aabbccddeeff","name":"\ud800","place":"with-me"}`))
	f.Fuzz(func(t *testing.T, text []byte) {
		id, err := ParseIdentity(text)
		if err != nil {
			return
		}
		again, err := ParseIdentity(id.Marshal())
		if err != nil {
			t.Fatal(err)
		}
		if again != id {
			t.Errorf("%+v\nbecame %+v", id, again)
		}
	})
}
