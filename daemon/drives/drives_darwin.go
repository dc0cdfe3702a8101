package drives

import (
	"errors"
	"fmt"
	"os"
	"slices"
	"strconv"
	"strings"
	"syscall"
	"unsafe"

	"golang.org/x/sys/unix"
)

// This file is compiled with every build and was not run on a Mac yet.

// plainFileOnly keeps an open from following a link or waiting for a pipe's other end.
const plainFileOnly = unix.O_NOFOLLOW | unix.O_NONBLOCK

// absences are further errors that mean "no folder there".
var absences = []error{syscall.ENOTDIR}

// pseudo lists file systems on which nobody keeps copies.
var pseudo = []string{"autofs", "devfs", "nullfs"}

// mounts lists what is mounted, from what the kernel remembers: MNT_NOWAIT asks no file system, so this cannot hang.
func mounts() ([]mount, error) {
	n, err := unix.Getfsstat(nil, unix.MNT_NOWAIT)
	if err != nil {
		return nil, fmt.Errorf("list mounts: %w", err)
	}
	rows := make([]unix.Statfs_t, n+8) // some may come meanwhile
	if n, err = unix.Getfsstat(rows, unix.MNT_NOWAIT); err != nil {
		return nil, fmt.Errorf("list mounts: %w", err)
	}
	var out []mount
	for _, r := range rows[:min(n, len(rows))] {
		point := unix.ByteSliceToString(r.Mntonname[:])
		out = append(out, mount{
			Point: point,
			ID:    fsid(r),
			Pseudo: slices.Contains(pseudo, unix.ByteSliceToString(r.Fstypename[:])) ||
				strings.HasPrefix(point, "/System/Volumes/"), // the system's own parts; homes show below "/"
		})
	}
	return out, nil
}

// placeOf tells what is true of the open folder f, reached at path.
func placeOf(f *os.File, path string) (Place, error) {
	var st unix.Stat_t
	var fs unix.Statfs_t
	if err := errors.Join(unix.Fstat(int(f.Fd()), &st), unix.Fstatfs(int(f.Fd()), &fs)); err != nil {
		return Place{}, fmt.Errorf("describe %s: %w", path, err)
	}
	source := unix.ByteSliceToString(fs.Mntfromname[:])
	return Place{
		Path:       path,
		MountPoint: unix.ByteSliceToString(fs.Mntonname[:]),
		Mount:      fsid(fs),
		FSType:     unix.ByteSliceToString(fs.Fstypename[:]),
		Volume:     volumeUUID(f),
		Device:     source,
		Disk:       diskUnder(source),
		Folder:     fmt.Sprintf("%d:%d", st.Dev, st.Ino),
		ReadOnly:   fs.Flags&unix.MNT_RDONLY != 0,
		Removable:  fs.Flags&unix.MNT_REMOVABLE != 0,
		Size:       int64(fs.Blocks) * int64(fs.Bsize),
		Free:       int64(fs.Bavail) * int64(fs.Bsize),
	}, nil
}

// mountID is the file system's id, as close to a mount's id as the system gives.
func mountID(f *os.File) string {
	var fs unix.Statfs_t
	if err := unix.Fstatfs(int(f.Fd()), &fs); err != nil {
		return ""
	}
	return fsid(fs)
}

func fsid(fs unix.Statfs_t) string { return fmt.Sprintf("%x:%x", fs.Fsid.Val[0], fs.Fsid.Val[1]) }

// diskUnder is the disk of a source such as "/dev/disk4s1", or the host of "//ana@host/share". An APFS container shows
// as a disk of its own: two containers on one device are not told to be one without asking the disk arbitration.
func diskUnder(source string) string {
	if share, ok := strings.CutPrefix(source, "//"); ok {
		host, _, _ := strings.Cut(share, "/")
		return "host " + strings.ToLower(host[strings.LastIndex(host, "@")+1:])
	}
	if host, _, ok := strings.Cut(source, ":/"); ok && !strings.HasPrefix(source, "/") {
		return "host " + strings.ToLower(host)
	}
	slice, ok := strings.CutPrefix(source, "/dev/disk")
	if !ok {
		return source
	}
	whole, _, _ := strings.Cut(slice, "s")
	if _, err := strconv.Atoi(whole); err != nil {
		return source
	}
	return "disk" + whole
}

// attributes is struct attrlist of getattrlist(2).
type attributes struct {
	count, _                       uint16
	common, vol, dir, file, forked uint32
}

// volumeUUID asks for ATTR_VOL_UUID.
func volumeUUID(f *os.File) string {
	ask := attributes{count: 5, vol: 0x80000000 | 0x00040000} // ATTR_VOL_INFO, ATTR_VOL_UUID
	var told struct {
		size uint32
		uuid [16]byte
	}
	_, _, errno := unix.Syscall6(unix.SYS_FGETATTRLIST, f.Fd(), uintptr(unsafe.Pointer(&ask)),
		uintptr(unsafe.Pointer(&told)), unsafe.Sizeof(told), 0, 0)
	if b := told.uuid; errno == 0 && int(told.size) >= int(unsafe.Sizeof(told)) && b != [16]byte{} {
		return fmt.Sprintf("%x-%x-%x-%x-%x", b[:4], b[4:6], b[6:8], b[8:10], b[10:])
	}
	return ""
}
