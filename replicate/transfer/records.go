package transfer

import (
	"crypto/rand"
	"encoding/hex"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"path"
	"strings"

	"copyhold/replicate"
	"copyhold/replicate/lists"
	"copyhold/replicate/volume"
)

// largestRecord bounds what is read of a record into memory: a list of a
// million files is about 300 MB, an attacker's is refused.
const largestRecord = 512 << 20

// Prepare makes a drive ready for copies when it arrives: its own folders are
// there, and partials of an earlier day are cleared (P2: none ever had a final
// name).
func Prepare(v volume.Volume) error {
	if err := v.Same(); err != nil {
		return err
	}
	for _, folder := range []string{lists.PartialDir, lists.ListsDir} {
		if err := makeLasting(v, folder); err != nil {
			return err
		}
	}
	leftovers, err := v.ReadDir(lists.PartialDir)
	if err != nil {
		return err
	}
	if len(leftovers) > 0 { // a process was killed, perhaps before what it kept lasted (P3)
		if err := syncTree(v, lists.KeptDir); err != nil {
			return err
		}
	}
	for _, info := range leftovers {
		if info.Kind == volume.Folder {
			continue
		}
		if err := v.Remove(lists.PartialDir + "/" + info.Name); err != nil {
			return err
		}
	}
	return nil
}

// makeLasting makes a folder. The folders above are synced also when they were
// there: a killed process may have left them where power can lose them.
func makeLasting(v volume.Volume, folder string) error {
	if _, err := v.MkdirAll(folder); err != nil {
		return err
	}
	for folder != "" {
		folder = parentOf(folder)
		if err := v.SyncDir(folder); err != nil {
			return err
		}
	}
	return nil
}

// syncTree makes the names below a folder last, if there is one.
func syncTree(v volume.Volume, folder string) error {
	infos, err := v.ReadDir(folder)
	if errors.Is(err, fs.ErrNotExist) {
		return nil
	}
	for _, info := range infos {
		if info.Kind == volume.Folder && err == nil {
			err = syncTree(v, folder+"/"+info.Name)
		}
	}
	if err != nil {
		return err
	}
	return v.SyncDir(folder)
}

// WriteRecord replaces one of Copyhold's own records on a drive, whole or not
// at all.
func WriteRecord(v volume.Volume, name string, content []byte) error {
	if err := makeLasting(v, path.Dir(name)); err != nil {
		return err
	}
	if _, err := v.MkdirAll(lists.PartialDir); err != nil {
		return err
	}
	partial := lists.PartialDir + "/" + partialTag()
	if err := writeNew(v, partial, content); err != nil {
		_ = v.Remove(partial)
		return err
	}
	if err := v.Replace(partial, name); err != nil {
		_ = v.Remove(partial)
		return err
	}
	if err := v.SyncDir(path.Dir(name)); err != nil {
		return err
	}
	return v.SyncDir(lists.PartialDir) // see sealer.name
}

// partialTag is a name that no other partial has.
func partialTag() string {
	var random [8]byte
	rand.Read(random[:])
	return hex.EncodeToString(random[:])
}

func writeNew(v volume.Volume, name string, content []byte) error {
	sink, err := v.Create(name)
	if err != nil {
		return err
	}
	_, err = sink.Write(content)
	if err == nil {
		err = sink.Sync()
	}
	return errors.Join(err, sink.Close())
}

// ReadRecord reads one of Copyhold's own records.
func ReadRecord(v volume.Reader, name string) ([]byte, error) {
	f, err := v.Open(name)
	if err != nil {
		return nil, err
	}
	defer f.Close()
	info, err := f.Stat()
	if err != nil {
		return nil, err
	}
	if info.Stat.Size > largestRecord {
		return nil, fmt.Errorf("read %s: %d bytes are too many for a record", name, info.Stat.Size)
	}
	return io.ReadAll(f)
}

// ReadIdentity reads the identity file of a drive that is held open.
func ReadIdentity(v volume.Reader) (lists.Identity, error) {
	content, err := ReadRecord(v, lists.IdentityFile)
	if err != nil {
		return lists.Identity{}, err
	}
	return lists.ParseIdentity(content)
}

// WriteIdentity writes the identity file of a drive.
func WriteIdentity(v volume.Volume, id lists.Identity) error {
	return WriteRecord(v, lists.IdentityFile, id.Marshal())
}

// Probe finds out the habits of a drive's file system by trying them in the
// partial folder. Nothing of it stays.
func Probe(v volume.Volume) (replicate.Traits, error) {
	if err := makeLasting(v, lists.PartialDir); err != nil {
		return replicate.Traits{}, err
	}
	p := prober{v: v, tag: partialTag()}
	t := replicate.Traits{Probed: true, MaxName: 255}
	t.FoldsCase = p.foldsCase()
	for _, c := range "\"*:<>?\\|" + controls() {
		if !p.takes(p.tag + string(c) + "name") {
			t.Forbidden += string(c)
		}
	}
	t.UTF8Only = !p.takes(p.tag + "\xffname")
	t.NameInUTF16 = p.takes(p.tag + strings.Repeat("é", 200))
	return t, p.err
}

func controls() string {
	var all strings.Builder
	for c := rune(1); c < 0x20; c++ {
		all.WriteRune(c)
	}
	return all.String()
}

type prober struct {
	v   volume.Volume
	tag string // what an interrupted probe left has another one
	err error  // the drive went away: the answers mean nothing
}

// takes reports whether a file of that name can be made and found again.
func (p *prober) takes(name string) bool {
	full := lists.PartialDir + "/" + name
	sink, err := p.v.Create(full)
	if err != nil {
		p.note(err)
		return false
	}
	_ = sink.Close() // empty; only the name matters
	found := p.listed(name)
	p.note(p.v.Remove(full))
	return found
}

// listed: some file systems take a name and store another.
func (p *prober) listed(name string) bool {
	infos, err := p.v.ReadDir(lists.PartialDir)
	p.note(err)
	for _, info := range infos {
		if info.Name == name {
			return true
		}
	}
	return false
}

func (p *prober) foldsCase() bool {
	name := lists.PartialDir + "/" + p.tag
	sink, err := p.v.Create(name + "Probe")
	if err != nil {
		p.note(err)
		return false
	}
	_ = sink.Close()
	_, err = p.v.Lstat(name + "pROBE")
	p.note(p.v.Remove(name + "Probe"))
	return err == nil
}

// note remembers what makes a probe worthless: a drive that is gone, full or
// read-only refuses every name.
func (p *prober) note(err error) {
	for _, bad := range []error{volume.ErrLost, volume.ErrFull, volume.ErrReadOnly, fs.ErrPermission} {
		if errors.Is(err, bad) && p.err == nil {
			// FAT answers "not permitted" to a name it cannot store.
			if bad == fs.ErrPermission && p.v.Same() == nil {
				continue
			}
			p.err = err
		}
	}
}
