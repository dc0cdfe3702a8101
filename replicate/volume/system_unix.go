//go:build unix

package volume

import (
	"errors"
	"io/fs"
	"os"
	"slices"
	"syscall"

	"golang.org/x/sys/unix"

	"copyhold/replicate"
)

// plainFile keeps an open from following a link or waiting for a pipe's writer.
const plainFile = unix.O_NOFOLLOW | unix.O_NONBLOCK | unix.O_CLOEXEC

// conditions maps error numbers to what they mean for a copy (measured: a
// pulled drive answers EIO, ENOTCONN or, on the way down, the others; a call
// that waits for a FUSE server when that dies answers ECONNABORTED, and ext4 on a
// device that is gone answers a new file with ENOMEM).
var conditions = []struct {
	is      error
	numbers []syscall.Errno
}{
	{ErrLost, []syscall.Errno{unix.EIO, unix.ENOTCONN, unix.ENODEV, unix.ENXIO, unix.ESTALE, unix.ESHUTDOWN, unix.ECONNABORTED, unix.ENOMEM}},
	{ErrFull, []syscall.Errno{unix.ENOSPC, unix.EDQUOT}},
	{ErrReadOnly, []syscall.Errno{unix.EROFS}},
	{ErrName, []syscall.Errno{unix.ENAMETOOLONG, unix.EILSEQ, unix.EINVAL}},
	{ErrTooLarge, []syscall.Errno{unix.EFBIG}},
	{ErrNotRegular, []syscall.Errno{unix.ELOOP}},
	{ErrBlocked, []syscall.Errno{unix.ENOTDIR, unix.EISDIR, unix.ENOTEMPTY}},
}

func conditionOf(err error) error {
	var number syscall.Errno
	if !errors.As(err, &number) {
		return nil
	}
	for _, c := range conditions {
		if slices.Contains(c.numbers, number) {
			return c.is
		}
	}
	return nil
}

func inodeOf(fi fs.FileInfo) uint64 {
	if st, ok := fi.Sys().(*syscall.Stat_t); ok {
		return uint64(st.Ino)
	}
	return 0
}

func syncFile(f *os.File) error { return f.Sync() }

func syncFolder(dir *os.File) error { return dir.Sync() }

func roomOf(dir *os.File) (replicate.Room, error) {
	var st unix.Statfs_t
	if err := unix.Fstatfs(int(dir.Fd()), &st); err != nil {
		return replicate.Room{}, err
	}
	block := int64(st.Bsize)
	return replicate.Room{Free: int64(st.Bavail) * block, Size: int64(st.Blocks) * block}, nil
}
