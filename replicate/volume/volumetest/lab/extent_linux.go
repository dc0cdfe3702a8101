package lab

import (
	"fmt"
	"os"
	"unsafe"

	"golang.org/x/sys/unix"
)

// The request FS_IOC_FIEMAP and its two structures are told in the kernel's
// Documentation/filesystems/fiemap.rst, "Request Basics" and "Extent Mapping".
const (
	ioctlFiemap = 0xc020660b
	// Flags of an extent that has no bytes of its own at a known place.
	extentElsewhere = 0x0002 | 0x0004 | 0x0008 | 0x0080 | 0x0200 | 0x0400 | 0x0800
)

type fiemap struct {
	start, length               uint64
	flags, mapped, count, spare uint32
	extent                      struct {
		logical, physical, length uint64
		_                         [2]uint64
		flags                     uint32
		_                         [3]uint32
	}
}

// physical returns where on its device the byte of f at offset is.
func physical(f *os.File, offset int64) (int64, error) {
	m := fiemap{start: uint64(offset), length: 1, count: 1}
	if _, _, errno := unix.Syscall(unix.SYS_IOCTL, f.Fd(), ioctlFiemap, uintptr(unsafe.Pointer(&m))); errno != 0 {
		return 0, fmt.Errorf("extents of %s: %w", f.Name(), errno)
	}
	if m.mapped == 0 || m.extent.flags&extentElsewhere != 0 {
		return 0, fmt.Errorf("%s has no place on the disk at %d (flags %#x)", f.Name(), offset, m.extent.flags)
	}
	return int64(m.extent.physical + uint64(offset) - m.extent.logical), nil
}
