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

	"github.com/moby/sys/mountinfo"
	"golang.org/x/sys/unix"
)

// plainFileOnly keeps an open from following a link or waiting for a pipe's other end.
const plainFileOnly = unix.O_NOFOLLOW | unix.O_NONBLOCK

// absences are further errors that mean "no folder there".
var absences = []error{syscall.ENOTDIR}

// pseudo lists file systems on which nobody keeps copies. Memory file systems and FUSE are not here: a drive may
// be either. A container's overlay is reached through a drive's last path.
var pseudo = []string{
	"autofs", "binder", "binfmt_misc", "bpf", "cgroup", "cgroup2", "configfs", "debugfs", "devpts", "devtmpfs",
	"efivarfs", "fuse.lxcfs", "fuse.portal", "fuse.snapfuse", "fusectl", "hugetlbfs", "mqueue", "nfsd", "nsfs", "overlay",
	"proc", "pstore", "resctrl", "rpc_pipefs", "securityfs", "selinuxfs", "smackfs", "squashfs", "sysfs", "tracefs",
}

// mounts lists what is mounted. The kernel answers without asking the file systems, so this cannot hang.
func mounts() ([]mount, error) {
	rows, err := mountinfo.GetMounts(nil)
	if err != nil {
		return nil, fmt.Errorf("list mounts: %w", err)
	}
	out := make([]mount, len(rows))
	for i, r := range rows {
		out[i] = mount{Point: r.Mountpoint, ID: strconv.Itoa(r.ID), Pseudo: slices.Contains(pseudo, r.FSType)}
	}
	return out, nil
}

// placeOf tells what is true of the open folder f, reached at path.
func placeOf(f *os.File, path string) (Place, error) { return system.placeOf(f, path) }

// kernel is where the kernel and its device daemon tell about devices; tests have their own.
type kernel struct {
	sys    string // sysfs
	byUUID string // links named by UUID to block devices
}

var system = kernel{sys: "/sys", byUUID: "/dev/disk/by-uuid"}

func (k kernel) placeOf(f *os.File, path string) (Place, error) {
	var st unix.Stat_t
	var room unix.Statfs_t
	if err := errors.Join(unix.Fstat(int(f.Fd()), &st), unix.Fstatfs(int(f.Fd()), &room)); err != nil {
		return Place{}, fmt.Errorf("describe %s: %w", path, err)
	}
	row, err := rowOf(f, path)
	if err != nil {
		return Place{}, fmt.Errorf("describe %s: %w", path, err)
	}
	dev, block := blockDevice(row, st.Dev)
	disk := k.disk(dev)
	if !block {
		disk = k.servedBy(row, st.Dev)
	}
	return Place{
		Path:       path,
		MountPoint: row.Mountpoint,
		Mount:      mountID(f),
		FSType:     row.FSType,
		Volume:     k.volume(f, dev, block),
		Device:     row.Source,
		Disk:       disk,
		Folder:     number(st.Dev) + ":" + strconv.FormatUint(st.Ino, 10),
		ReadOnly:   room.Flags&unix.ST_RDONLY != 0,
		Removable:  block && k.removable(disk),
		Size:       int64(room.Blocks) * int64(room.Frsize),
		Free:       int64(room.Bavail) * int64(room.Frsize),
	}, nil
}

// rowOf finds the mount that f lies on. Device numbers do not join the two on btrfs, mount ids do; on kernels
// before 5.8 the path has to.
func rowOf(f *os.File, path string) (*mountinfo.Info, error) {
	rows, err := mountinfo.GetMounts(nil)
	if err != nil {
		return nil, err
	}
	var stx unix.Statx_t
	err = unix.Statx(int(f.Fd()), "", unix.AT_EMPTY_PATH, unix.STATX_MNT_ID, &stx)
	told := err == nil && stx.Mask&unix.STATX_MNT_ID != 0
	var best *mountinfo.Info
	for _, r := range rows {
		if told && uint64(r.ID) == stx.Mnt_id {
			return r, nil
		}
		if !told && within(r.Mountpoint, path) && (best == nil || len(r.Mountpoint) >= len(best.Mountpoint)) {
			best = r
		}
	}
	if best == nil {
		return nil, errors.New("its mount is not in the list of mounts") // unmounted while held, say
	}
	return best, nil
}

// mountID is the id of the mount that f lies on: never reused since Linux 6.8, reused after an unmount since 5.8, else
// the device number, which tells only volumes apart.
func mountID(f *os.File) string {
	for _, kind := range []uint32{unix.STATX_MNT_ID_UNIQUE, unix.STATX_MNT_ID} {
		var stx unix.Statx_t
		err := unix.Statx(int(f.Fd()), "", unix.AT_EMPTY_PATH, int(kind), &stx)
		if err == nil && stx.Mask&kind != 0 {
			return strconv.FormatUint(stx.Mnt_id, 10)
		}
	}
	var st unix.Stat_t
	if err := unix.Fstat(int(f.Fd()), &st); err != nil {
		return ""
	}
	return "device " + number(st.Dev)
}

// fsUUID is the kernel's struct fsuuid2. FS_IOC_GETFSUUID is _IOR(0x15, 0, struct fsuuid2), since Linux 6.9; on
// machines whose _IOR differs (MIPS, POWER) the kernel does not know this number and the links below decide.
type fsUUID struct {
	Len  uint8
	UUID [16]uint8
}

const fsIocGetFSUUID = 0x80111500

// volume is the UUID of the volume under f. Only whole UUIDs are taken from the kernel: shorter serial numbers are
// worded by the device daemon, and one volume must have one wording.
func (k kernel) volume(f *os.File, dev uint64, block bool) string {
	var u fsUUID
	_, _, errno := unix.Syscall(unix.SYS_IOCTL, f.Fd(), fsIocGetFSUUID, uintptr(unsafe.Pointer(&u)))
	if b := u.UUID; errno == 0 && int(u.Len) == len(b) && b != [16]uint8{} {
		return fmt.Sprintf("%x-%x-%x-%x-%x", b[:4], b[4:6], b[6:8], b[8:10], b[10:])
	}
	if block {
		return k.linkTo(dev)
	}
	return ""
}

// linkTo is the name of the UUID link that leads to dev.
func (k kernel) linkTo(dev uint64) string {
	links, err := os.ReadDir(k.byUUID)
	if err != nil {
		return "" // no device daemon, as in a container
	}
	for _, l := range links {
		if d, ok := blockNode(k.byUUID + "/" + l.Name()); ok && d == dev {
			return l.Name()
		}
	}
	return ""
}

// blockDevice is the device under a file system. One that shows an anonymous device (btrfs, some FUSE) is asked
// by its source.
func blockDevice(row *mountinfo.Info, dev uint64) (uint64, bool) {
	if unix.Major(dev) != 0 {
		return dev, true
	}
	return blockNode(row.Source)
}

// blockNode is the number of the block device at path.
func blockNode(path string) (uint64, bool) {
	var st unix.Stat_t
	if !strings.HasPrefix(path, "/") || unix.Stat(path, &st) != nil || st.Mode&unix.S_IFMT != unix.S_IFBLK {
		return 0, false
	}
	return st.Rdev, true
}

// servedBy names what is lost together with a file system that has no block device: the disk under the folder or
// image that a FUSE server shows, the host of a share, the pool; else the file system itself.
func (k kernel) servedBy(row *mountinfo.Info, dev uint64) string {
	switch source := row.Source; {
	case row.FSType == "zfs":
		pool, _, _ := strings.Cut(source, "/")
		return "pool " + pool
	case strings.HasPrefix(source, "//"): // //host/share
		host, _, _ := strings.Cut(source[2:], "/")
		return "host " + strings.ToLower(host)
	case !strings.HasPrefix(source, "/") && strings.Contains(source, ":/"): // host:/export, user@host:/folder
		host, _, _ := strings.Cut(source, ":/")
		return "host " + strings.ToLower(host[strings.LastIndex(host, "@")+1:])
	}
	var st unix.Stat_t
	if strings.HasPrefix(row.FSType, "fuse") && strings.HasPrefix(row.Source, "/") &&
		unix.Stat(row.Source, &st) == nil && unix.Major(st.Dev) != 0 {
		return k.disk(st.Dev)
	}
	return number(dev)
}

func number(dev uint64) string { return fmt.Sprintf("%d:%d", unix.Major(dev), unix.Minor(dev)) }
