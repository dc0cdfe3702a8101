package volume

import (
	"errors"
	"fmt"
	"io/fs"
	"os"
	"strings"
	"time"

	"github.com/moby/sys/mountinfo"
	"golang.org/x/sys/unix"

	"copyhold/replicate"
)

// quietRead leaves the access time of a source as it is (P1); only a file's
// owner may ask for it.
const quietRead = unix.O_NOATIME

// identity is the mount and the folder. The mount id is the unique one where
// the kernel has it: plain ones are used again at once.
type identity struct {
	mount, inode uint64
	device       uint64
}

func (i identity) String() string { return fmt.Sprintf("%d:%d:%d", i.mount, i.device, i.inode) }

// sameVolume compares mounts, not devices: on btrfs one mount has many devices.
func (i identity) sameVolume(o identity) bool { return i.mount == o.mount }

func identify(root *os.Root) (identity, error) {
	dir, err := root.Open(".")
	if err != nil {
		return identity{}, err
	}
	defer dir.Close()
	return identifyFile(dir)
}

func identifyFile(f *os.File) (identity, error) {
	return statx(int(f.Fd()), "", unix.AT_EMPTY_PATH)
}

func identifyPath(path string) (identity, error) {
	return statx(unix.AT_FDCWD, path, 0)
}

func statx(fd int, path string, flags int) (identity, error) {
	var st unix.Statx_t
	mask := unix.STATX_INO | unix.STATX_MNT_ID_UNIQUE
	err := unix.Statx(fd, path, flags, mask, &st)
	if err == nil && st.Mask&unix.STATX_MNT_ID_UNIQUE == 0 {
		err = unix.Statx(fd, path, flags, unix.STATX_INO|unix.STATX_MNT_ID, &st)
	}
	if err != nil {
		return identity{}, err
	}
	return identity{mount: st.Mnt_id, inode: st.Ino, device: unix.Mkdev(st.Dev_major, st.Dev_minor)}, nil
}

// flushVolume writes back the whole volume. A dead FUSE server goes unnoticed by
// syncfs, but not by the folder's own sync.
func flushVolume(dir *os.File) error {
	if err := unix.Syncfs(int(dir.Fd())); err != nil {
		return err
	}
	return dir.Sync()
}

// errNoRenameFree: this file system cannot rename without replacing.
var errNoRenameFree = errors.New("rename without replacing is not offered")

func renameFree(a *os.File, from string, b *os.File, to string) error {
	err := unix.Renameat2(int(a.Fd()), from, int(b.Fd()), to, unix.RENAME_NOREPLACE)
	if err == unix.EINVAL || err == unix.ENOSYS {
		return errNoRenameFree
	}
	return err
}

// pastCache drops the clean pages of a synced file, so that the next reads
// come from the drive.
func pastCache(f *os.File) error {
	return unix.Fadvise(int(f.Fd()), 0, 0, unix.FADV_DONTNEED)
}

// underFUSE finds the block device below a FUSE file system; empty for any
// other. The server reads that device through the page cache as well, where
// what it just wrote still lies after the file's own pages are gone.
func underFUSE(dir *os.File) string {
	var fs unix.Statfs_t
	if unix.Fstatfs(int(dir.Fd()), &fs) != nil || fs.Type != unix.FUSE_SUPER_MAGIC {
		return ""
	}
	var st unix.Statx_t
	if unix.Statx(int(dir.Fd()), "", unix.AT_EMPTY_PATH, unix.STATX_MNT_ID, &st) != nil {
		return ""
	}
	mounts, err := mountinfo.GetMounts(func(m *mountinfo.Info) (skip, stop bool) { return uint64(m.ID) != st.Mnt_id, false })
	if err != nil || len(mounts) == 0 || !strings.HasPrefix(mounts[0].Source, "/dev/") {
		return ""
	}
	return mounts[0].Source
}

// dropDevice drops the clean pages of a block device. Who may not open the
// device cannot do it: then a read-back goes as deep as the FUSE server.
func dropDevice(path string) {
	if path == "" {
		return
	}
	fd, err := unix.Open(path, unix.O_RDONLY|unix.O_NONBLOCK|unix.O_CLOEXEC, 0)
	if err != nil {
		return
	}
	defer unix.Close(fd)
	_ = unix.Fadvise(fd, 0, 0, unix.FADV_DONTNEED) // advice only
}

func forget(f *os.File, off, length int64) {
	_ = unix.Fadvise(int(f.Fd()), off, length, unix.FADV_DONTNEED) // advice only
}

func sequential(f *os.File) {
	_ = unix.Fadvise(int(f.Fd()), 0, 0, unix.FADV_SEQUENTIAL) // advice only
}

// readAll lists a folder with one fstatat for each name, a third of the cost
// of a look by path.
func readAll(dir *os.File) ([]Info, error) {
	names, err := dir.Readdirnames(-1)
	if err != nil {
		return nil, err
	}
	infos := make([]Info, 0, len(names))
	fd := int(dir.Fd())
	for _, name := range names {
		var st unix.Stat_t
		err := unix.Fstatat(fd, name, &st, unix.AT_SYMLINK_NOFOLLOW)
		if errors.Is(err, fs.ErrNotExist) {
			continue // it left between the two calls
		}
		if err != nil {
			return nil, err
		}
		infos = append(infos, infoOfStat(name, &st))
	}
	return infos, nil
}

func infoOfStat(name string, st *unix.Stat_t) Info {
	kind := Other
	switch st.Mode & unix.S_IFMT {
	case unix.S_IFREG:
		kind = Regular
	case unix.S_IFDIR:
		kind = Folder
	}
	return Info{Name: name, Kind: kind, Stat: replicate.Stat{
		Size: st.Size, MTime: time.Unix(st.Mtim.Unix()), Inode: st.Ino,
	}}
}
