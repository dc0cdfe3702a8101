package volume

import (
	"cmp"
	"fmt"
	"io"
	"io/fs"
	"os"
	"slices"
	"strings"

	"copyhold/replicate"
)

// Source is a folder held open to be read only: a working folder or a card.
type Source struct {
	root  *os.Root
	path  string
	mount identity
}

// OpenSource holds the folder at an absolute path.
func OpenSource(path string) (*Source, error) {
	root, err := os.OpenRoot(path)
	if err != nil {
		return nil, translate("open", path, err)
	}
	mount, err := identify(root)
	if err != nil {
		root.Close()
		return nil, translate("open", path, err)
	}
	return &Source{root: root, path: path, mount: mount}, nil
}

// Path is the folder's absolute path.
func (s *Source) Path() string { return s.path }

// Identity tells this folder from another one at the same path, as long as the
// volume stays mounted.
func (s *Source) Identity() string { return s.mount.String() }

// Same implements Reader.
func (s *Source) Same() error {
	now, err := identifyPath(s.path)
	if err != nil {
		return translate("look at", s.path, err)
	}
	if now != s.mount {
		return fmt.Errorf("%s: %w", s.path, ErrLost)
	}
	return nil
}

// Close implements Reader.
func (s *Source) Close() error { return s.root.Close() }

// Lstat implements Reader.
func (s *Source) Lstat(name string) (Info, error) {
	fi, err := s.root.Lstat(local(name))
	if err != nil {
		return Info{}, translate("look at", name, err)
	}
	return infoOf(fi), nil
}

// ReadDir implements Reader.
func (s *Source) ReadDir(name string) ([]Info, error) {
	dir, err := s.openAs(Folder, name)
	if err != nil {
		return nil, translate("list", name, err)
	}
	defer dir.Close()
	infos, err := readAll(dir)
	if err != nil {
		return nil, translate("list", name, err)
	}
	slices.SortFunc(infos, func(a, b Info) int { return cmp.Compare(a.inPath(), b.inPath()) })
	return infos, nil
}

// inPath is the name as it sorts among whole paths: "a.b" comes before "a/c".
func (i Info) inPath() string {
	if i.Kind == Folder {
		return i.Name + "/"
	}
	return i.Name
}

// Open implements Reader.
func (s *Source) Open(name string) (File, error) {
	f, err := s.openFile(name)
	if err != nil {
		return nil, err
	}
	return f, nil
}

func (s *Source) openFile(name string) (*file, error) {
	f, err := s.openAs(Regular, name)
	if err != nil {
		return nil, translate("open", name, err)
	}
	sequential(f)
	return &file{f: f, name: name}, nil
}

// openAs opens what stands under the name if it is of that kind. It looks first:
// os.Root follows a link that stays inside, whatever the flags say. It never
// waits for a pipe, and leaves the access time as it is where it may (P1).
func (s *Source) openAs(want Kind, name string) (*os.File, error) {
	fi, err := s.root.Lstat(local(name))
	if err == nil {
		err = want.check(fi)
	}
	if err != nil {
		return nil, err
	}
	f, err := s.root.OpenFile(local(name), os.O_RDONLY|plainFile|quietRead, 0)
	if quietRead != 0 && os.IsPermission(err) {
		f, err = s.root.OpenFile(local(name), os.O_RDONLY|plainFile, 0)
	}
	if err != nil {
		return nil, err
	}
	fi, err = f.Stat()
	if err == nil {
		err = want.check(fi)
	}
	if err != nil {
		f.Close()
		return nil, err
	}
	return f, nil
}

// check says what is wrong with fi where a file or folder is wanted.
func (k Kind) check(fi fs.FileInfo) error {
	switch {
	case kindOf(fi.Mode()) == k:
		return nil
	case k == Regular:
		return ErrNotRegular
	default:
		return ErrBlocked
	}
}

// file is an open file of the operating system.
type file struct {
	f    *os.File
	name string
	at   int64 // bytes read in sequence
	past int64 // of these, dropped from the cache
}

func (f *file) Read(p []byte) (int, error) {
	n, err := f.f.Read(p)
	f.at += int64(n)
	if err != nil && err != io.EOF {
		err = translate("read", f.name, err)
	}
	return n, err
}

func (f *file) ReadAt(p []byte, off int64) (int, error) {
	n, err := f.f.ReadAt(p, off)
	if err != nil && err != io.EOF {
		err = translate("read", f.name, err)
	}
	return n, err
}

func (f *file) Stat() (Info, error) {
	fi, err := f.f.Stat()
	if err != nil {
		return Info{}, translate("look at", f.name, err)
	}
	return infoOf(fi), nil
}

func (f *file) Forget() {
	forget(f.f, f.past, f.at-f.past)
	f.past = f.at
}

func (f *file) Close() error { return f.f.Close() }

func infoOf(fi fs.FileInfo) Info {
	return Info{Name: fi.Name(), Kind: kindOf(fi.Mode()), Stat: statOf(fi)}
}

func statOf(fi fs.FileInfo) replicate.Stat {
	return replicate.Stat{Size: fi.Size(), MTime: fi.ModTime(), Inode: inodeOf(fi)}
}

// local turns "" into the folder itself.
func local(name string) string {
	if name == "" {
		return "."
	}
	return name
}

// parent is the folder that holds name, "" for the held folder itself. It cleans
// nothing: a name with ".." in it stays one.
func parent(name string) string {
	return name[:max(0, strings.LastIndexByte(name, '/'))]
}
