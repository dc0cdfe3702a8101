package volume

import (
	"errors"
	"fmt"
	"io/fs"
	"os"
	"slices"
	"strings"

	"golang.org/x/sys/windows"

	"copyhold/replicate"
)

const plainFile = 0

var conditions = []struct {
	is      error
	numbers []windows.Errno
}{
	{ErrLost, []windows.Errno{windows.ERROR_NOT_READY, windows.ERROR_IO_DEVICE, windows.ERROR_DEVICE_NOT_CONNECTED, windows.ERROR_NO_SUCH_DEVICE, windows.ERROR_DEV_NOT_EXIST}},
	{ErrFull, []windows.Errno{windows.ERROR_DISK_FULL, windows.ERROR_HANDLE_DISK_FULL}},
	{ErrReadOnly, []windows.Errno{windows.ERROR_WRITE_PROTECT}},
	{ErrName, []windows.Errno{windows.ERROR_INVALID_NAME, windows.ERROR_FILENAME_EXCED_RANGE}},
	{ErrTooLarge, []windows.Errno{windows.ERROR_FILE_TOO_LARGE}},
}

func conditionOf(err error) error {
	var number windows.Errno
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

func inodeOf(fs.FileInfo) uint64 { return 0 }

func folderKey(f *os.File, fi fs.FileInfo) string {
	var info windows.ByHandleFileInformation
	if err := windows.GetFileInformationByHandle(windows.Handle(f.Fd()), &info); err != nil {
		return fi.Name()
	}
	return fmt.Sprintf("%d:%d:%d", info.VolumeSerialNumber, info.FileIndexHigh, info.FileIndexLow)
}

func volumePart(key string) string { serial, _, _ := strings.Cut(key, ":"); return serial }

// syncFile: a file that is open to be read cannot be flushed here; what stood
// there before this process is taken as it is.
func syncFile(*os.File) error { return nil }

// syncFolder: Windows has no such call; NTFS journals names by itself.
func syncFolder(*os.File) error { return nil }

// pastCache: unbuffered reads need aligned buffers and are a later step, so a
// read-back here may be served by the cache; the README says so.
func pastCache(*os.File) error { return nil }

func forget(*os.File, int64, int64) {}

func sequential(*os.File) {}

func roomOf(dir *os.File) (replicate.Room, error) {
	var free, size uint64
	name, err := windows.UTF16PtrFromString(dir.Name())
	if err != nil {
		return replicate.Room{}, err
	}
	if err := windows.GetDiskFreeSpaceEx(name, &free, &size, nil); err != nil {
		return replicate.Room{}, err
	}
	return replicate.Room{Free: int64(free), Size: int64(size)}, nil
}
