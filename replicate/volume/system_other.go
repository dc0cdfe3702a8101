//go:build !linux

package volume

import (
	"errors"
	"io/fs"
	"os"
)

const quietRead = 0

// identity of a folder, where no mount id is to be had: the system's own
// notion of "the same file".
type identity struct{ key string }

func (i identity) String() string { return i.key }

// sameVolume: without a mount id a volume mounted inside the drive is told by
// its device.
func (i identity) sameVolume(o identity) bool { return volumePart(i.key) == volumePart(o.key) }

func identify(root *os.Root) (identity, error) {
	dir, err := root.Open(".")
	if err != nil {
		return identity{}, err
	}
	defer dir.Close()
	return identifyFile(dir)
}

func identifyFile(f *os.File) (identity, error) {
	fi, err := f.Stat()
	if err != nil {
		return identity{}, err
	}
	return identity{key: folderKey(f, fi)}, nil
}

func identifyPath(path string) (identity, error) {
	f, err := os.Open(path)
	if err != nil {
		return identity{}, err
	}
	defer f.Close()
	return identifyFile(f)
}

var errNoRenameFree = errors.New("rename without replacing is not offered")

func renameFree(_ *os.File, _ string, _ *os.File, _ string) error { return errNoRenameFree }

func readAll(dir *os.File) ([]Info, error) {
	entries, err := dir.ReadDir(-1)
	if err != nil {
		return nil, err
	}
	infos := make([]Info, 0, len(entries))
	for _, e := range entries {
		fi, err := e.Info()
		if errors.Is(err, fs.ErrNotExist) {
			continue
		}
		if err != nil {
			return nil, err
		}
		infos = append(infos, infoOf(fi))
	}
	return infos, nil
}

func underFUSE(*os.File) string { return "" }

func dropDevice(string) {}

// flushVolume: every file was synced when it was written, which is what there is.
func flushVolume(dir *os.File) error { return syncFolder(dir) }
