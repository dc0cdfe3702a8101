package state

import (
	"bytes"
	"encoding/binary"
	"encoding/json"
	"fmt"
	"iter"
	"slices"
	"strings"
	"time"

	bolt "go.etcd.io/bbolt"

	"copyhold/replicate"
)

// Shoot is what the ledger keeps of a shoot beside its files.
type Shoot struct {
	ID        replicate.ShootID
	Tally     replicate.Tally
	Standing  replicate.Standing
	Since     time.Time // of the standing
	FirstSeen time.Time
}

// Tx is a transaction. It lives only inside View or Update.
type Tx struct {
	tx      *bolt.Tx
	touched map[replicate.ShootID]*Shoot // read or changed in this transaction
	dirty   map[replicate.ShootID]bool
	wrote   bool // something was put or deleted
}

// put and remove are the only ways to write.
func (t *Tx) put(bucket, key, value []byte) error {
	t.wrote = true
	return t.tx.Bucket(bucket).Put(key, value)
}

func (t *Tx) remove(bucket, key []byte) error {
	t.wrote = true
	return t.tx.Bucket(bucket).Delete(key)
}

func newTx(tx *bolt.Tx) *Tx {
	return &Tx{tx: tx, touched: map[replicate.ShootID]*Shoot{}, dirty: map[replicate.ShootID]bool{}}
}

// File returns what is known about one file; nil when nothing is.
func (t *Tx) File(id replicate.FileID) (*replicate.File, error) {
	k := fileKey(id)
	v := t.tx.Bucket(filesBucket).Get(k)
	if v == nil {
		return nil, nil
	}
	return decodeFile(k, v)
}

// PutFile records what is known about a file, and keeps its shoot's tally.
func (t *Tx) PutFile(f *replicate.File, now time.Time) error {
	shoot, err := t.takeOut(f.FileID, now)
	if err != nil {
		return err
	}
	shoot.Tally.Add(f)
	return t.put(filesBucket, fileKey(f.FileID), encodeFile(f))
}

// DeleteFile forgets a file of which no drive holds anything.
func (t *Tx) DeleteFile(id replicate.FileID, now time.Time) error {
	if _, err := t.takeOut(id, now); err != nil {
		return err
	}
	return t.remove(filesBucket, fileKey(id))
}

// takeOut removes what was known of a file from its shoot's tally.
func (t *Tx) takeOut(id replicate.FileID, now time.Time) (*Shoot, error) {
	before, err := t.File(id)
	if err != nil {
		return nil, err
	}
	shoot, err := t.shoot(id.Shoot(), now)
	if err != nil {
		return nil, err
	}
	if before != nil {
		shoot.Tally.Remove(before)
	}
	t.dirty[shoot.ID] = true
	return shoot, nil
}

// shoot returns the transaction's own copy of a shoot, made when it is new.
func (t *Tx) shoot(id replicate.ShootID, now time.Time) (*Shoot, error) {
	if s := t.touched[id]; s != nil {
		return s, nil
	}
	k := shootKey(id)
	s := Shoot{ID: id, Tally: replicate.Tally{}, Since: now, FirstSeen: now}
	if v := t.tx.Bucket(shootsBucket).Get(k); v != nil {
		var err error
		if s, err = decodeShoot(k, v); err != nil {
			return nil, err
		}
	}
	t.touched[id] = &s
	return &s, nil
}

// Changed yields the shoots whose files this transaction changed.
func (t *Tx) Changed() iter.Seq[*Shoot] {
	return func(yield func(*Shoot) bool) {
		for id := range t.dirty {
			if !yield(t.touched[id]) {
				return
			}
		}
	}
}

// SetStanding records a new standing of a shoot.
func (t *Tx) SetStanding(id replicate.ShootID, standing replicate.Standing, since time.Time) error {
	s, err := t.shoot(id, since)
	if err != nil {
		return err
	}
	s.Standing, s.Since = standing, since
	t.dirty[id] = true
	return nil
}

// flush writes the changed shoots; one without files is forgotten.
func (t *Tx) flush() error {
	for id := range t.dirty {
		s := t.touched[id]
		var err error
		if len(s.Tally) == 0 {
			err = t.remove(shootsBucket, shootKey(id))
		} else {
			err = t.put(shootsBucket, shootKey(id), encodeShoot(*s))
		}
		if err != nil {
			return fmt.Errorf("record the shoot %s: %w", id, err)
		}
	}
	return nil
}

// Shoots returns every shoot, ordered by working folder and name.
func (t *Tx) Shoots() ([]Shoot, error) {
	var all []Shoot
	err := t.tx.Bucket(shootsBucket).ForEach(func(k, v []byte) error {
		s, err := decodeShoot(k, v)
		all = append(all, s)
		return err
	})
	return all, err
}

// Files yields the files of one shoot after the given path ("" = all), ordered
// by path. A value that cannot be read ends it and stands in *failed.
func (t *Tx) Files(shoot replicate.ShootID, after string, failed *error) iter.Seq[*replicate.File] {
	return func(yield func(*replicate.File) bool) {
		if shoot.Name == replicate.LooseFiles {
			t.walkLoose(shoot.Working, after, failed, yield)
			return
		}
		prefix := key(shoot.Working, shoot.Name+"/")
		t.walk(prefix, max(string(prefix), string(key(shoot.Working, after))), failed, yield)
	}
}

// All yields every file of a working folder, ordered by path.
func (t *Tx) All(working string, failed *error) iter.Seq[*replicate.File] {
	return func(yield func(*replicate.File) bool) {
		prefix := key(working, "")
		t.walk(prefix, string(prefix), failed, yield)
	}
}

func (t *Tx) walk(prefix []byte, from string, failed *error, yield func(*replicate.File) bool) {
	c := t.tx.Bucket(filesBucket).Cursor()
	k, v := c.Seek([]byte(from))
	if k != nil && string(k) == from && from != string(prefix) {
		k, v = c.Next()
	}
	for ; k != nil && bytes.HasPrefix(k, prefix); k, v = c.Next() {
		f, err := decodeFile(k, v)
		if err != nil {
			*failed = err
			return
		}
		if !yield(f) {
			return
		}
	}
}

// walkLoose steps over the folders: past "shoot/" goes "shoot0", since "0" is
// the byte after "/". A folder that is really called like the loose files
// counts among them.
func (t *Tx) walkLoose(working, after string, failed *error, yield func(*replicate.File) bool) {
	prefix := key(working, "")
	c := t.tx.Bucket(filesBucket).Cursor()
	for k, v := c.Seek(key(working, after)); k != nil && bytes.HasPrefix(k, prefix); {
		path := string(k[len(prefix):])
		if folder, _, inside := strings.Cut(path, "/"); inside && folder != replicate.LooseFiles {
			k, v = c.Seek(key(working, folder+"0"))
			continue
		}
		if path != after {
			f, err := decodeFile(k, v)
			if err != nil {
				*failed = err
				return
			}
			if !yield(f) {
				return
			}
		}
		k, v = c.Next()
	}
}

// Drives returns every adopted drive, retired ones too, by number.
func (t *Tx) Drives() ([]replicate.Drive, error) {
	var all []replicate.Drive
	err := t.tx.Bucket(drivesBucket).ForEach(func(_, v []byte) error {
		var d replicate.Drive
		if err := json.Unmarshal(v, &d); err != nil {
			return fmt.Errorf("read a drive: %w", err)
		}
		all = append(all, d)
		return nil
	})
	return all, err
}

// PutDrive records a drive. One without a number gets the next.
func (t *Tx) PutDrive(d *replicate.Drive) error {
	if d.No == 0 {
		n, err := t.tx.Bucket(drivesBucket).NextSequence()
		if err != nil {
			return err
		}
		d.No = replicate.DriveNo(n)
	}
	v, err := json.Marshal(d)
	if err != nil {
		return err
	}
	return t.put(drivesBucket, driveKey(d.No), v)
}

func driveKey(no replicate.DriveNo) []byte { return binary.BigEndian.AppendUint16(nil, uint16(no)) }

// MarkUnlisted remembers that the list of a shoot on a drive is out of date.
func (t *Tx) MarkUnlisted(no replicate.DriveNo, id replicate.ShootID) error {
	return t.put(unlistedBucket, append(driveKey(no), shootKey(id)...), []byte{})
}

// ClearUnlisted says that the list is as the ledger.
func (t *Tx) ClearUnlisted(no replicate.DriveNo, id replicate.ShootID) error {
	return t.remove(unlistedBucket, append(driveKey(no), shootKey(id)...))
}

// Unlisted returns the shoots whose lists on a drive are out of date.
func (t *Tx) Unlisted(no replicate.DriveNo) ([]replicate.ShootID, error) {
	var all []replicate.ShootID
	prefix := driveKey(no)
	c := t.tx.Bucket(unlistedBucket).Cursor()
	for k, _ := c.Seek(prefix); k != nil && bytes.HasPrefix(k, prefix); k, _ = c.Next() {
		working, name, err := splitKey(k[len(prefix):])
		if err != nil {
			return nil, err
		}
		all = append(all, replicate.ShootID{Working: working, Name: name})
	}
	return all, nil
}

// Said returns what was said of each notice.
func (t *Tx) Said() (map[string]replicate.Said, error) {
	all := map[string]replicate.Said{}
	err := t.tx.Bucket(saidBucket).ForEach(func(k, v []byte) error {
		var s replicate.Said
		if err := json.Unmarshal(v, &s); err != nil {
			return fmt.Errorf("read what was said: %w", err)
		}
		all[string(k)] = s
		return nil
	})
	return all, err
}

// PutSaid records that a notice was said; the zero Said forgets it.
func (t *Tx) PutSaid(key string, s replicate.Said) error {
	if s == (replicate.Said{}) {
		return t.remove(saidBucket, []byte(key))
	}
	v, err := json.Marshal(s)
	if err != nil {
		return err
	}
	return t.put(saidBucket, []byte(key), v)
}

// Workings returns the names of the working folders that have files.
func (t *Tx) Workings() ([]string, error) {
	shoots, err := t.Shoots()
	if err != nil {
		return nil, err
	}
	var names []string
	for _, s := range shoots {
		if !slices.Contains(names, s.ID.Working) {
			names = append(names, s.ID.Working)
		}
	}
	return names, nil
}
