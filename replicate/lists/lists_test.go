package lists

import (
	"fmt"
	"math/rand/v2"
	"strings"
	"testing"
	"time"

	"copyhold/replicate"
)

const (
	working = "Shoots"
	shoot   = "2026-03-02 Tern Island"
	driveID = replicate.DriveID("00112233445566778899aabbccddeeff")
)

var (
	noon  = time.Date(2026, 3, 2, 12, 0, 0, 0, time.UTC)
	exfat = replicate.Traits{
		Probed: true, FoldsCase: true, Forbidden: "\"*:<>?\\|", UTF8Only: true,
		NameInUTF16: true, TimeStep: 10 * time.Millisecond,
	}
)

// oddNames are legal on the working drive, and each has broken some program.
var oddNames = []string{
	"A001.raw", "two  spaces.raw", " first", "last ", "-n.raw", "--check", "line\nbreak.raw",
	`back\slash.raw`, `\n`, "\n", `\`, "\\\n\\", "#note", "*star", "Küste ☼ 灯台.raw", "e\u0301", "é", "tab\there",
	"a: OK.raw", `"quoted"`, "%41.raw", "<&>", "\u2028", "\x7f", "\x01", "~", "(loose files)", "x.b3", "x.json",
}

// uncheckable names are kept by a List and left out of Sums.
var uncheckable = []string{"\xff.raw", "caf\xe9", "cr\r.raw", "\uFFFD"}

// entry makes a copy of a file in the test's shoot.
func entry(name string, n byte) Entry {
	return Entry{
		Path: shoot + "/" + name, Size: int64(n) << 20, MTime: noon.Add(time.Duration(n) * 1234567891),
		Digest: replicate.Digest{n, 1}, XXH128: replicate.XXH128{n}, Verified: noon,
	}
}

func list(files ...Entry) List {
	return List{Schema: 1, Drive: driveID, Working: working, Shoot: shoot, Written: noon, Files: files}
}

// seeded returns chance that can be had again.
func seeded(t *testing.T) *rand.Rand {
	seed := rand.Uint64()
	t.Logf("seed %d", seed)
	return rand.New(rand.NewPCG(seed, 0))
}

// randomName favours the bytes that formats stumble over.
func randomName(chance *rand.Rand) string {
	alphabet := []string{"a", "B", "7", " ", ".", "\\", "\n", "\r", "\"", "%", "4", "~", "é", "灯", "😀", "\xff", "\x00"[:0], "\x1f", "\uFFFD"}
	var b strings.Builder
	for range 1 + chance.IntN(12) {
		b.WriteString(alphabet[chance.IntN(len(alphabet))])
	}
	return b.String() + "x"
}

// randomFiles are the entries of one shoot, ordered by path.
func randomFiles(chance *rand.Rand) []Entry {
	var files []Entry
	for i := range chance.IntN(40) {
		e := entry(fmt.Sprintf("%02d/%s", i, randomName(chance)), byte(i+1))
		e.MTime = time.Unix(chance.Int64N(1<<34), chance.Int64N(1e9)).UTC()
		if chance.IntN(3) == 0 {
			e.StoredAs = fmt.Sprintf("%s/%02d/%s", shoot, i, randomName(chance))
		}
		if chance.IntN(3) == 0 {
			e.XXH128, e.Verified, e.MTime = replicate.XXH128{}, time.Time{}, time.Time{}
		}
		files = append(files, e)
	}
	return files
}

func wantErr(t *testing.T, err error, text string) {
	t.Helper()
	if err == nil || !strings.Contains(err.Error(), text) {
		t.Errorf("got error %v, want one with %q", err, text)
	}
}
