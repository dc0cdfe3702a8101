package lists

import (
	"crypto/sha256"
	"encoding/hex"
	"sort"
	"strings"

	"copyhold/replicate"
)

// The suffixes are always added, so a shoot called "x.json" or "x.b3" meets no
// other's lists.
const (
	sumsSuffix = ".b3"
	listSuffix = ".json"
)

// Names are the paths of a shoot's two lists, from the drive folder. A name
// that is too long for the drive is cut, and a mark of the whole name is put
// behind it. It is false where the working folder itself cannot be stored.
//
// On a drive that folds case, the names of two shoots may still be one to the
// drive. Who finds another shoot's list under the name takes NamesOfTwin.
func Names(working, shoot string, t replicate.Traits) (sums, list string, ok bool) {
	return names(working, shoot, t, endsInMark(shoot))
}

// NamesOfTwin are other names for the lists of a shoot: with the mark, which
// tells it from every other shoot.
func NamesOfTwin(working, shoot string, t replicate.Traits) (sums, list string, ok bool) {
	return names(working, shoot, t, true)
}

func names(working, shoot string, t replicate.Traits, marked bool) (sums, list string, ok bool) {
	if checkFolder(working) != nil || checkShoot(shoot) != nil {
		return "", "", false
	}
	folder, ok := replicate.StoredPath(working, t)
	if !ok {
		return "", "", false
	}
	list, ok = replicate.StoredPath(shoot+listSuffix, t)
	if marked || !ok {
		shoot = cut(shoot, mark(working, shoot), t)
		list, ok = replicate.StoredPath(shoot+listSuffix, t)
	}
	sums, fits := replicate.StoredPath(shoot+sumsSuffix, t)
	if !ok || !fits {
		return "", "", false
	}
	folder = ListsDir + "/" + folder + "/"
	return folder + sums, folder + list, true
}

// cut is the longest beginning of shoot, in whole runes, that can be stored
// with the mark and either suffix. It is cut before it is escaped, so no escape
// is ever cut.
func cut(shoot, mark string, t replicate.Traits) string {
	var starts []int
	for i := range shoot {
		starts = append(starts, i)
	}
	starts = append(starts, len(shoot))
	tooLong := sort.Search(len(starts), func(i int) bool {
		_, ok := replicate.StoredPath(shoot[:starts[i]]+mark+listSuffix, t)
		return !ok
	})
	if tooLong == 0 {
		return mark
	}
	return shoot[:starts[tooLong-1]] + mark
}

// markDigits are 64 bits of the digest of the whole name.
const markDigits = 16

func mark(working, shoot string) string {
	sum := sha256.Sum256([]byte(working + "/" + shoot))
	return "~" + hex.EncodeToString(sum[:])[:markDigits]
}

// endsInMark reports whether a name looks as if it was given a mark. Such a
// name gets its own, or it could be taken for the name of a cut one.
func endsInMark(shoot string) bool {
	tail := strings.ToLower(shoot[max(0, len(shoot)-markDigits-1):])
	return strings.HasPrefix(tail, "~") && isLowerHex(tail[1:], markDigits)
}
