package state

import (
	"bytes"
	"encoding/binary"
	"errors"
	"fmt"
	"math"
	"time"

	"copyhold/replicate"
)

// Values are a version byte and fixed fields; numbers are varints. A file of
// two verified copies takes about 90 bytes beside its key.
const codecVersion = 1

var errValue = errors.New("a value is cut short or not of this schema")

// What the flag byte of a file says is there.
const (
	fileLife      = 0b0000_0011
	fileDigest    = 0b0000_0100
	fileAttempted = 0b0000_1000
)

// What the flag byte of a copy says.
const (
	copyState     = 0b0000_0011
	copyCurrent   = 0b0000_0100 // its digest and size are the file's
	copyOther     = 0b0000_1000 // it has a digest of its own
	copyRenamed   = 0b0001_0000
	copyAttempted = 0b0010_0000
)

func fileKey(id replicate.FileID) []byte { return key(id.Working, id.Path) }

func shootKey(id replicate.ShootID) []byte { return key(id.Working, id.Name) }

func key(working, rest string) []byte {
	k := make([]byte, 0, len(working)+1+len(rest))
	k = append(k, working...)
	k = append(k, 0)
	return append(k, rest...)
}

// splitKey reads what key wrote. Neither file names nor working folders hold a
// zero byte.
func splitKey(k []byte) (working, rest string, err error) {
	w, r, ok := bytes.Cut(k, []byte{0})
	if !ok {
		return "", "", fmt.Errorf("%w: key %q", errValue, k)
	}
	return string(w), string(r), nil
}

func encodeFile(f *replicate.File) []byte {
	flags := byte(f.Life)
	if f.Digest.Known() {
		flags |= fileDigest
	}
	if f.Attempt.Cause != replicate.NoCause {
		flags |= fileAttempted
	}
	b := make([]byte, 0, 96+24*len(f.Copies))
	b = append(b, codecVersion, flags)
	b = binary.AppendUvarint(b, uint64(f.Size))
	b = appendTime(b, f.MTime)
	b = binary.AppendUvarint(b, f.Inode)
	b = binary.AppendVarint(b, f.SeenAt.UnixMilli())
	if f.Life == replicate.LetGo || f.Life == replicate.Archived {
		b = binary.AppendVarint(b, f.GoneAt.Unix())
	}
	if f.Digest.Known() {
		b = append(b, f.Digest[:]...)
		b = append(b, f.XXH128[:]...)
	}
	b = appendAttempt(b, f.Attempt)
	b = binary.AppendUvarint(b, uint64(len(f.Copies)))
	for _, c := range f.Copies {
		b = appendCopy(b, f, c)
	}
	return b
}

func appendCopy(b []byte, f *replicate.File, c replicate.Copy) []byte {
	flags := byte(c.State)
	switch {
	case c.Digest.Known() && c.Digest == f.Digest && c.Size == f.Size:
		flags |= copyCurrent
	case c.Digest.Known():
		flags |= copyOther
	}
	if c.StoredAs != "" {
		flags |= copyRenamed
	}
	if c.Attempt.Cause != replicate.NoCause {
		flags |= copyAttempted
	}
	b = binary.AppendUvarint(b, uint64(c.Drive))
	b = append(b, flags)
	if flags&copyOther != 0 {
		b = append(b, c.Digest[:]...)
		b = binary.AppendUvarint(b, uint64(c.Size))
	}
	if c.State != replicate.Missing {
		b = binary.AppendVarint(b, c.VerifiedAt.Unix())
	}
	if c.StoredAs != "" {
		b = binary.AppendUvarint(b, uint64(len(c.StoredAs)))
		b = append(b, c.StoredAs...)
	}
	return appendAttempt(b, c.Attempt)
}

// appendAttempt writes nothing for no attempt: the flag byte tells.
func appendAttempt(b []byte, a replicate.Attempt) []byte {
	if a.Cause == replicate.NoCause {
		return b
	}
	b = append(b, byte(a.Cause), byte(a.Count))
	return binary.AppendVarint(b, a.RetryAt.Unix())
}

// appendTime keeps nanoseconds: two looks are compared by them.
func appendTime(b []byte, t time.Time) []byte {
	b = binary.AppendVarint(b, t.Unix())
	return binary.AppendUvarint(b, uint64(t.Nanosecond()))
}

func decodeFile(k, v []byte) (*replicate.File, error) {
	working, path, err := splitKey(k)
	if err != nil {
		return nil, err
	}
	f := &replicate.File{FileID: replicate.FileID{Working: working, Path: path}}
	r := decoder{b: v}
	if r.byte() != codecVersion {
		return nil, fmt.Errorf("file %s: %w", f.FileID, errValue)
	}
	flags := r.byte()
	f.Life = replicate.Life(flags & fileLife)
	f.Size = int64(r.uvarint())
	f.MTime = r.time()
	f.Inode = r.uvarint()
	f.SeenAt = time.UnixMilli(r.varint())
	if f.Life == replicate.LetGo || f.Life == replicate.Archived {
		f.GoneAt = time.Unix(r.varint(), 0)
	}
	if flags&fileDigest != 0 {
		r.bytes(f.Digest[:])
		r.bytes(f.XXH128[:])
		if !f.Digest.Known() {
			r.fail()
		}
	}
	if flags&fileAttempted != 0 {
		f.Attempt = r.attempt()
	}
	for n := r.uvarint(); n > 0 && r.err == nil; n-- {
		f.Copies = append(f.Copies, r.copy(f))
	}
	if r.err != nil || len(r.b) != 0 || f.Size < 0 {
		return nil, fmt.Errorf("file %s: %w", f.FileID, errValue)
	}
	return f, nil
}

// decoder reads a value; after the first error everything reads as zero.
type decoder struct {
	b   []byte
	err error
}

func (r *decoder) fail() { r.b, r.err = nil, errValue }

func (r *decoder) byte() byte {
	if len(r.b) == 0 {
		r.fail()
		return 0
	}
	c := r.b[0]
	r.b = r.b[1:]
	return c
}

func (r *decoder) uvarint() uint64 {
	n, size := binary.Uvarint(r.b)
	if size <= 0 {
		r.fail()
		return 0
	}
	r.b = r.b[size:]
	return n
}

func (r *decoder) varint() int64 {
	n, size := binary.Varint(r.b)
	if size <= 0 {
		r.fail()
		return 0
	}
	r.b = r.b[size:]
	return n
}

func (r *decoder) bytes(into []byte) {
	if len(r.b) < len(into) {
		r.fail()
		return
	}
	r.b = r.b[copy(into, r.b):]
}

func (r *decoder) string() string {
	n := r.uvarint()
	if n > uint64(len(r.b)) {
		r.fail()
		return ""
	}
	s := string(r.b[:n])
	r.b = r.b[n:]
	return s
}

func (r *decoder) time() time.Time {
	seconds := r.varint()
	return time.Unix(seconds, int64(r.uvarint()))
}

func (r *decoder) attempt() replicate.Attempt {
	return replicate.Attempt{
		Cause: r.cause(), Count: int(r.byte()), RetryAt: time.Unix(r.varint(), 0),
	}
}

func (r *decoder) cause() replicate.Cause {
	c := replicate.Cause(r.byte())
	if !c.Known() || c == replicate.NoCause {
		r.fail()
		return replicate.NoCause
	}
	return c
}

func (r *decoder) drive() replicate.DriveNo {
	n := r.uvarint()
	if n > math.MaxUint16 {
		r.fail()
	}
	return replicate.DriveNo(n)
}

func (r *decoder) copy(f *replicate.File) replicate.Copy {
	c := replicate.Copy{Drive: r.drive()}
	flags := r.byte()
	c.State = replicate.CopyState(flags & copyState)
	if c.State > replicate.Damaged {
		r.fail()
	}
	switch {
	case flags&copyCurrent != 0:
		c.Digest, c.Size = f.Digest, f.Size
	case flags&copyOther != 0:
		r.bytes(c.Digest[:])
		c.Size = int64(r.uvarint())
	}
	if flags&(copyCurrent|copyOther) != 0 && (!c.Digest.Known() || c.Size < 0) {
		r.fail()
	}
	if c.State != replicate.Missing {
		c.VerifiedAt = time.Unix(r.varint(), 0)
	}
	if flags&copyRenamed != 0 {
		c.StoredAs = r.string()
	}
	if flags&copyAttempted != 0 {
		c.Attempt = r.attempt()
	}
	return c
}

func encodeShoot(s Shoot) []byte {
	b := []byte{codecVersion, byte(s.Standing)}
	b = binary.AppendVarint(b, s.Since.UnixMilli())
	b = binary.AppendVarint(b, s.FirstSeen.Unix())
	b = binary.AppendUvarint(b, uint64(len(s.Tally)))
	for key, sum := range s.Tally {
		b = binary.AppendUvarint(b, uint64(len(key)))
		b = append(b, key...)
		b = binary.AppendVarint(b, sum.Files)
		b = binary.AppendVarint(b, sum.Bytes)
	}
	return b
}

func decodeShoot(k, v []byte) (Shoot, error) {
	working, name, err := splitKey(k)
	if err != nil {
		return Shoot{}, err
	}
	s := Shoot{ID: replicate.ShootID{Working: working, Name: name}, Tally: replicate.Tally{}}
	r := decoder{b: v}
	if r.byte() != codecVersion {
		r.fail()
	}
	s.Standing = replicate.Standing(r.byte())
	s.Since = time.UnixMilli(r.varint())
	s.FirstSeen = time.Unix(r.varint(), 0)
	for n := r.uvarint(); n > 0 && r.err == nil; n-- {
		key := replicate.GroupKey(r.string())
		if _, err := key.Group(); err != nil {
			r.fail()
		}
		s.Tally[key] = replicate.Sum{Files: r.varint(), Bytes: r.varint()}
	}
	if r.err != nil || len(r.b) != 0 || s.Standing > replicate.Covered {
		return Shoot{}, fmt.Errorf("shoot %s: %w", s.ID, errValue)
	}
	return s, nil
}
