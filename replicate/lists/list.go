package lists

import (
	"encoding/base64"
	"encoding/hex"
	"encoding/json"
	"errors"
	"fmt"
	"slices"
	"strconv"
	"strings"
	"time"
	"unicode/utf8"

	"copyhold/replicate"
)

// schema is the number of the list's form that is written.
const schema = 1

// Entry is one file's copy on the drive.
type Entry struct {
	Path     string // the file's own, inside the working folder, byte for byte
	StoredAs string // inside the working folder's place on the drive; empty = Path
	Size     int64
	MTime    time.Time
	Digest   replicate.Digest
	XXH128   replicate.XXH128 // zero = not taken
	Verified time.Time        // when it was read back; zero = not told
}

// Stored is the copy's path inside the working folder's place on the drive.
func (e Entry) Stored() string {
	if e.StoredAs != "" {
		return e.StoredAs
	}
	return e.Path
}

// OnDrive is the copy's path from the drive folder, where the working folder is
// stored under the given name.
func (e Entry) OnDrive(storedWorking string) string { return storedWorking + "/" + e.Stored() }

// List is everything a drive tells about its copies of one shoot's files.
type List struct {
	Schema  int // as it was read; Marshal writes its own
	Drive   replicate.DriveID
	Working string
	Shoot   string
	Written time.Time
	Files   []Entry // of this shoot only
}

// Marshal is the content of the list's file: JSON, one line for each file,
// ordered by path. What has no digest is left out: it is no copy (P8). The JSON
// is put together by hand because a list may have 100,000 lines and is written
// after every group of copies.
func (l List) Marshal() []byte {
	files := byPath(l.Files)
	text := make([]byte, 0, 256+384*len(files))
	text = fmt.Appendf(text, "{\n \"schema\": %d,\n ", schema)
	text = appendText(text, "drive", string(l.Drive))
	text = appendText(append(text, ",\n "...), "working", l.Working)
	text = appendText(append(text, ",\n "...), "shoot", l.Shoot)
	text = appendText(append(text, ",\n "...), "written", formatTime(l.Written))
	text = append(text, ",\n \"files\": ["...)
	comma := "\n  "
	for _, e := range files {
		if e.Digest.Known() {
			text = e.append(append(text, comma...))
			comma = ",\n  "
		}
	}
	return append(text, "\n ]\n}\n"...)
}

// byPath is a copy of files, ordered.
func byPath(files []Entry) []Entry {
	ordered := slices.Clone(files)
	slices.SortFunc(ordered, func(a, b Entry) int { return strings.Compare(a.Path, b.Path) })
	return ordered
}

func (e Entry) append(text []byte) []byte {
	text = appendText(append(text, '{'), "path", e.Path)
	if e.StoredAs != "" {
		text = appendText(append(text, ','), "stored_as", e.StoredAs)
	}
	text = append(text, `,"size":`...)
	text = strconv.AppendInt(text, e.Size, 10)
	text = appendTime(text, "mtime", e.MTime)
	text = append(text, `,"blake3":"`...)
	text = hex.AppendEncode(text, e.Digest[:])
	text = append(text, '"')
	if e.XXH128 != (replicate.XXH128{}) {
		text = append(text, `,"xxh128":"`...)
		text = hex.AppendEncode(text, e.XXH128[:])
		text = append(text, '"')
	}
	text = appendTime(text, "verified", e.Verified)
	return append(text, '}')
}

func appendTime(text []byte, key string, t time.Time) []byte {
	if s := formatTime(t); s != "" {
		text = appendText(append(text, ','), key, s)
	}
	return text
}

// appendText writes a key and its string; what is no UTF-8 goes in base64 under
// the key with "_base64" behind it, because JSON has no form for it.
func appendText(text []byte, key, s string) []byte {
	text = append(append(text, '"'), key...)
	if !utf8.ValidString(s) {
		text = append(text, `_base64":"`...)
		text = base64.StdEncoding.AppendEncode(text, []byte(s))
		return append(text, '"')
	}
	return appendQuoted(append(text, `":`...), s)
}

func appendQuoted(text []byte, s string) []byte {
	text = append(text, '"')
	for _, c := range []byte(s) {
		switch {
		case c == '"' || c == '\\':
			text = append(text, '\\', c)
		case c < ' ':
			text = fmt.Appendf(text, `\u%04x`, c)
		default:
			text = append(text, c)
		}
	}
	return append(text, '"')
}

// listForm and entryForm are the forms of a List and an Entry in their file.
// Keys that are not known are passed over, so that a form can gain some.
type listForm struct {
	Schema        int               `json:"schema"`
	Drive         replicate.DriveID `json:"drive"`
	Working       string            `json:"working"`
	WorkingBase64 []byte            `json:"working_base64"`
	Shoot         string            `json:"shoot"`
	ShootBase64   []byte            `json:"shoot_base64"`
	Written       string            `json:"written"`
	Files         []json.RawMessage `json:"files"`
}

type entryForm struct {
	Path           string `json:"path"`
	PathBase64     []byte `json:"path_base64"`
	StoredAs       string `json:"stored_as"`
	StoredAsBase64 []byte `json:"stored_as_base64"`
	Size           *int64 `json:"size"`
	MTime          string `json:"mtime"`
	BLAKE3         string `json:"blake3"`
	XXH128         string `json:"xxh128"`
	Verified       string `json:"verified"`
}

// ParseList reads what Marshal wrote.
func ParseList(text []byte) (List, error) {
	var f listForm
	err := decode(text, &f)
	if f.Schema > schema {
		return List{}, fmt.Errorf("list of schema %d: %w", f.Schema, ErrNewer)
	}
	if err != nil {
		return List{}, err
	}
	l, err := f.head()
	if err != nil {
		return List{}, fmt.Errorf("list %w", err)
	}
	if err := l.read(f.Files); err != nil {
		return List{}, err
	}
	return l, nil
}

// head is the list without its files.
func (f listForm) head() (l List, err error) {
	if f.Schema < 1 || f.Files == nil {
		return l, errors.New("tells no schema or no files")
	}
	l = List{Schema: f.Schema, Drive: f.Drive}
	if err := checkID(l.Drive); err != nil {
		return l, err
	}
	if l.Working, err = ownText("working", f.Working, f.WorkingBase64); err != nil {
		return l, err
	}
	if l.Shoot, err = ownText("shoot", f.Shoot, f.ShootBase64); err != nil {
		return l, err
	}
	if err := checkFolder(l.Working); err != nil {
		return l, err
	}
	if err := checkShoot(l.Shoot); err != nil {
		return l, err
	}
	if l.Written, err = parseTime(f.Written); err != nil {
		return l, fmt.Errorf("was written when: %w", err)
	}
	return l, nil
}

// ownText is a string that is written under one of two keys.
func ownText(key, plain string, encoded []byte) (string, error) {
	if encoded == nil {
		return plain, nil
	}
	if plain != "" {
		return "", fmt.Errorf("has both %s and %s_base64", key, key)
	}
	return string(encoded), nil
}

// read takes in the files. Two of one path, or two in one place on the drive,
// cannot both be true.
func (l *List) read(files []json.RawMessage) error {
	l.Files = make([]Entry, 0, len(files))
	paths := make(map[string]int, len(files))
	places := make(map[string]int, len(files))
	for i, raw := range files {
		e, err := parseEntry(raw)
		if err == nil {
			err = l.accept(e)
		}
		if err != nil {
			return fmt.Errorf("file %d %w", i+1, err)
		}
		if before := paths[e.Path]; before != 0 {
			return fmt.Errorf("file %d is %q, as file %d is", i+1, e.Path, before)
		}
		if before := places[e.Stored()]; before != 0 {
			return fmt.Errorf("file %d is stored as %q, as file %d is", i+1, e.Stored(), before)
		}
		paths[e.Path], places[e.Stored()] = i+1, i+1
		l.Files = append(l.Files, e)
	}
	return nil
}

func (l *List) accept(e Entry) error {
	id := replicate.FileID{Working: l.Working, Path: e.Path}
	if shoot := id.Shoot().Name; shoot != l.Shoot {
		return fmt.Errorf("is %q, which is not in the list's shoot %q", e.Path, l.Shoot)
	}
	return nil
}

// parseEntry reads one file. Its errors follow the words "file 7".
func parseEntry(raw json.RawMessage) (Entry, error) {
	var f entryForm
	if err := json.Unmarshal(raw, &f); err != nil {
		return Entry{}, fmt.Errorf("%q: %w", f.Path, err)
	}
	e, err := f.named()
	if err != nil {
		return Entry{}, err
	}
	if err := f.fill(&e); err != nil {
		return Entry{}, fmt.Errorf("%q: %w", e.Path, err)
	}
	return e, nil
}

// named is the entry with its two paths only.
func (f *entryForm) named() (e Entry, err error) {
	if e.Path, err = ownText("path", f.Path, f.PathBase64); err != nil {
		return e, err
	}
	if err := checkPath(e.Path); err != nil {
		return e, err
	}
	if e.StoredAs, err = ownText("stored_as", f.StoredAs, f.StoredAsBase64); err != nil {
		return e, fmt.Errorf("%q: %w", e.Path, err)
	}
	if err := checkPath(e.Stored()); err != nil {
		return e, fmt.Errorf("%q: stored_as %w", e.Path, err)
	}
	return e, nil
}

// fill sets everything but the paths.
func (f *entryForm) fill(e *Entry) (err error) {
	if f.Size == nil || *f.Size < 0 {
		return errors.New("has no size, or a negative one")
	}
	e.Size = *f.Size
	if e.Digest, err = parseDigest(f.BLAKE3); err != nil {
		return err
	}
	if e.XXH128, err = parseXXH128(f.XXH128); err != nil {
		return err
	}
	if e.MTime, err = parseTime(f.MTime); err != nil {
		return err
	}
	e.Verified, err = parseTime(f.Verified)
	return err
}

func parseXXH128(s string) (replicate.XXH128, error) {
	var x replicate.XXH128
	if s == "" {
		return x, nil
	}
	if !isLowerHex(s, 2*len(x)) {
		return x, fmt.Errorf("has an xxh128 that is not 32 lower-case hex digits: %q", s)
	}
	_, err := hex.Decode(x[:], []byte(s))
	return x, err
}
