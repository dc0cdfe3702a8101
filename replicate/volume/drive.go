package volume

import (
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path"
	"strings"
	"sync"
	"time"

	"copyhold/replicate"
)

// Drive is a drive folder held open for writing.
type Drive struct {
	Source
	device string // below a FUSE file system; empty otherwise
}

// OpenDrive holds the drive folder at an absolute path. Whoever calls it has
// read the identity file first, and reads it again through the held folder.
func OpenDrive(path string) (*Drive, error) {
	s, err := OpenSource(path)
	if err != nil {
		return nil, err
	}
	dir, err := s.root.Open(".")
	if err != nil {
		s.Close()
		return nil, translate("open", path, err)
	}
	defer dir.Close()
	return &Drive{Source: *s, device: underFUSE(dir)}, nil
}

// OpenPastCache implements Volume.
func (d *Drive) OpenPastCache(name string) (File, error) {
	f, err := d.openFile(name)
	if err != nil {
		return nil, err
	}
	if err := pastCache(f.f); err != nil {
		f.Close()
		return nil, translate("read past the cache", name, err)
	}
	dropDevice(d.device)
	return f, nil
}

// Create implements Volume.
func (d *Drive) Create(name string) (Sink, error) {
	if err := d.onDrive(name); err != nil {
		return nil, err
	}
	f, err := d.root.OpenFile(local(name), os.O_WRONLY|os.O_CREATE|os.O_EXCL, 0o644)
	if err != nil {
		return nil, translate("create", name, err)
	}
	return &sink{f: f, name: name}, nil
}

// MkdirAll implements Volume.
func (d *Drive) MkdirAll(name string) (gained []string, err error) {
	dir, err := d.openFolder(name)
	if err == nil {
		return nil, dir.Close()
	}
	if !errors.Is(err, fs.ErrNotExist) || name == "" {
		return nil, err
	}
	gained, err = d.MkdirAll(parent(name))
	if err != nil {
		return gained, err
	}
	if err := d.root.Mkdir(local(name), 0o755); err != nil && !errors.Is(err, fs.ErrExist) {
		return gained, translate("make folder", name, err)
	}
	return append(gained, parent(name)), nil
}

// Rename implements Volume.
func (d *Drive) Rename(from, to string) error {
	if err := d.Same(); err != nil {
		return err
	}
	a, err := d.openFolder(parent(from))
	if err != nil {
		return err
	}
	defer a.Close()
	b, err := d.openFolder(parent(to))
	if err != nil {
		return err
	}
	defer b.Close()
	err = renameFree(a, path.Base(from), b, path.Base(to))
	if errors.Is(err, errNoRenameFree) {
		err = d.renameChecked(from, to)
	}
	if err != nil {
		return translate("rename to", to, err)
	}
	return nil
}

// renameChecked is for file systems that cannot rename without replacing: it
// looks first. Copyhold alone writes below a drive folder, so that the moment
// in between belongs to nobody else.
func (d *Drive) renameChecked(from, to string) error {
	if _, err := d.root.Lstat(local(to)); err == nil {
		return fs.ErrExist
	} else if !errors.Is(err, fs.ErrNotExist) {
		return err
	}
	return d.root.Rename(local(from), local(to))
}

// openFolder opens a folder to change something in it. It makes sure that no
// link leads there, not even one that stays on the drive, and that the folder is
// on the drive's own volume and not on one mounted inside it (P7).
func (d *Drive) openFolder(name string) (*os.File, error) {
	if err := d.onlyFolders(name); err != nil {
		return nil, translate("open", name, err)
	}
	dir, err := d.root.Open(local(name))
	if err != nil {
		return nil, translate("open", name, err)
	}
	other, err := identifyFile(dir)
	if err == nil && !other.sameVolume(d.mount) {
		err = ErrOtherMount
	}
	if err != nil {
		dir.Close()
		return nil, translate("open", name, err)
	}
	return dir, nil
}

// onlyFolders looks at every step of the way to a folder.
func (d *Drive) onlyFolders(name string) error {
	if path.IsAbs(name) || name != "" && path.Clean(name) != name {
		return fs.ErrInvalid
	}
	for i := 0; i < len(name); i++ {
		end := strings.IndexByte(name[i:], '/')
		if end < 0 {
			end = len(name) - i
		}
		i += end
		fi, err := d.root.Lstat(name[:i])
		if err == nil {
			err = Folder.check(fi)
		}
		if err != nil {
			return err
		}
	}
	return nil
}

// onDrive makes sure that what is done to name is done on the drive (P7).
func (d *Drive) onDrive(name string) error {
	dir, err := d.openFolder(parent(name))
	if err != nil {
		return err
	}
	return dir.Close()
}

// Replace implements Volume.
func (d *Drive) Replace(from, to string) error {
	if !strings.HasPrefix(to, replicate.OwnFolder+"/") {
		return fmt.Errorf("replace %s: only own records are replaced: %w", to, fs.ErrExist) // P3
	}
	if err := d.Same(); err != nil {
		return err
	}
	if err := errors.Join(d.onDrive(from), d.onDrive(to)); err != nil {
		return err
	}
	if err := d.root.Rename(local(from), local(to)); err != nil {
		return translate("replace", to, err)
	}
	return nil
}

// Remove implements Volume.
func (d *Drive) Remove(name string) error {
	if err := d.onDrive(name); err != nil {
		return err
	}
	if err := d.root.Remove(local(name)); err != nil {
		return translate("remove", name, err)
	}
	return nil
}

// SetTime implements Volume.
func (d *Drive) SetTime(name string, modified time.Time) error {
	if err := d.onDrive(name); err != nil {
		return err
	}
	if err := d.root.Chtimes(local(name), modified, modified); err != nil {
		return translate("set the time of", name, err)
	}
	return nil
}

// syncsAtOnce is how many files are synced side by side: the file system then
// joins them into few commits of its journal.
const syncsAtOnce = 32

// Sync implements Volume.
func (d *Drive) Sync(files []Sink) error {
	errs := make([]error, len(files))
	slots := make(chan struct{}, syncsAtOnce)
	var wg sync.WaitGroup
	for i, f := range files {
		slots <- struct{}{}
		wg.Go(func() {
			errs[i] = f.Sync()
			<-slots
		})
	}
	wg.Wait()
	return errors.Join(errs...)
}

// SyncFile implements Volume.
func (d *Drive) SyncFile(name string) error {
	if err := d.onDrive(name); err != nil {
		return err
	}
	f, err := d.openFile(name)
	if err != nil {
		return err
	}
	defer f.Close()
	if err := syncFile(f.f); err != nil {
		return translate("sync", name, err)
	}
	return nil
}

// SyncDir implements Volume.
func (d *Drive) SyncDir(name string) error {
	dir, err := d.openFolder(name)
	if err != nil {
		return err
	}
	defer dir.Close()
	if err := syncFolder(dir); err != nil {
		return translate("sync the folder", local(name), err)
	}
	return nil
}

// Flush makes everything on the volume last, whoever wrote it.
func (d *Drive) Flush() error {
	dir, err := d.openFolder("")
	if err != nil {
		return err
	}
	defer dir.Close()
	if err := flushVolume(dir); err != nil {
		return translate("flush", d.path, err)
	}
	return nil
}

// Room implements Volume.
func (d *Drive) Room() (replicate.Room, error) {
	dir, err := d.root.Open(".")
	if err != nil {
		return replicate.Room{}, translate("open", d.path, err)
	}
	defer dir.Close()
	room, err := roomOf(dir)
	if err != nil {
		return replicate.Room{}, translate("ask the room of", d.path, err)
	}
	return room, nil
}

// sink is a file of the operating system that is being written.
type sink struct {
	f    *os.File
	name string
}

func (s *sink) Write(p []byte) (int, error) {
	n, err := s.f.Write(p)
	if err != nil {
		err = shut(translate("write", s.name, err))
	}
	return n, err
}

func (s *sink) Sync() error {
	if err := s.f.Sync(); err != nil {
		return shut(translate("sync", s.name, err))
	}
	return nil
}

func (s *sink) Forget() { forget(s.f, 0, 0) }

// Close proves nothing: a lost drive closes without an error.
func (s *sink) Close() error {
	if err := s.f.Close(); err != nil {
		return translate("close", s.name, err)
	}
	return nil
}

// shut tells the lost drive from the read-only one: a file could be made, so that
// a volume which takes no more writes was shut by the system after an error.
func shut(err error) error {
	if errors.Is(err, ErrReadOnly) {
		return fmt.Errorf("%w: %w", ErrLost, err)
	}
	return err
}

// translate wraps a system error once with what was being done, and with the
// condition it stands for.
func translate(doing, name string, err error) error {
	var perr *fs.PathError
	if errors.As(err, &perr) {
		err = perr.Err
	}
	var lerr *os.LinkError
	if errors.As(err, &lerr) {
		err = lerr.Err
	}
	if condition := conditionOf(err); condition != nil {
		return fmt.Errorf("%s %s: %w (%w)", doing, name, condition, err)
	}
	return fmt.Errorf("%s %s: %w", doing, name, err)
}
