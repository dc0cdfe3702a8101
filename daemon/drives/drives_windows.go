package drives

import (
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"syscall"
	"unsafe"

	"golang.org/x/sys/windows"
)

// This file is compiled with every build and was not run on Windows yet.

const plainFileOnly = 0 // no links are followed that were not looked at; there are no pipes in folders

// absences are further errors that mean "no folder there": an empty card reader keeps its letter.
var absences = []error{syscall.ENOTDIR, windows.ERROR_NOT_READY, windows.ERROR_INVALID_DRIVE}

// mounts lists drive letters, shares' among them, and the folders that volumes are mounted on.
func mounts() ([]mount, error) {
	letters, err := windows.GetLogicalDrives()
	if err != nil {
		return nil, fmt.Errorf("list drives: %w", err)
	}
	var out []mount
	for i := range 26 {
		if letters&(1<<i) == 0 {
			continue
		}
		point := string(rune('A'+i)) + `:\`
		name, err := windows.UTF16PtrFromString(point)
		out = append(out, mount{Point: point, ID: point, Pseudo: err != nil || windows.GetDriveType(name) == windows.DRIVE_CDROM})
	}
	for _, point := range mountedFolders() {
		out = append(out, mount{Point: point, ID: point})
	}
	return out, nil
}

// mountedFolders lists the folders other than drive letters on which volumes are mounted.
func mountedFolders() []string {
	volume := make([]uint16, windows.MAX_PATH+1)
	find, err := windows.FindFirstVolume(&volume[0], uint32(len(volume)))
	if err != nil {
		return nil
	}
	defer windows.FindVolumeClose(find)
	var out []string
	for err == nil {
		names := make([]uint16, 8<<10)
		var n uint32
		if windows.GetVolumePathNamesForVolumeName(&volume[0], &names[0], uint32(len(names)), &n) == nil {
			for _, name := range strings.Split(windows.UTF16ToString(separated(names[:n])), "\n") {
				if len(name) > len(`C:\`) {
					out = append(out, filepath.Clean(name))
				}
			}
		}
		err = windows.FindNextVolume(find, &volume[0], uint32(len(volume)))
	}
	return out
}

// separated puts a line end where a list of strings has its zeros.
func separated(list []uint16) []uint16 {
	for i := 0; i+1 < len(list); i++ {
		if list[i] == 0 {
			list[i] = '\n'
		}
	}
	return list
}

// placeOf tells what is true of the open folder f, reached at path. It is told from the open folder's own final path,
// which sees through links and mapped letters.
func placeOf(f *os.File, path string) (Place, error) {
	handle := windows.Handle(f.Fd())
	final, err := finalPath(handle, 0)
	if err != nil {
		return Place{}, fmt.Errorf("describe %s: %w", path, err)
	}
	p := Place{Path: path, Mount: mountID(f)}
	point := make([]uint16, windows.MAX_LONG_PATH)
	name, err := windows.UTF16PtrFromString(final)
	if err == nil {
		err = windows.GetVolumePathName(name, &point[0], uint32(len(point)))
	}
	if err != nil {
		return Place{}, fmt.Errorf("describe %s: %w", path, err)
	}
	p.MountPoint = strings.TrimPrefix(windows.UTF16ToString(point), `\\?\`)
	p.Device = p.Mount
	p.Disk = diskUnder(final, p.Mount)
	p.Removable = windows.GetDriveType(&point[0]) == windows.DRIVE_REMOVABLE
	p.volumeInformation(&point[0])
	var free, size uint64
	if windows.GetDiskFreeSpaceEx(name, &free, &size, nil) == nil {
		p.Free, p.Size = int64(free), int64(size)
	}
	var d windows.ByHandleFileInformation
	if windows.GetFileInformationByHandle(handle, &d) == nil && d.FileIndexHigh|d.FileIndexLow != 0 {
		p.Folder = fmt.Sprintf("%s:%08x%08x", p.Mount, d.FileIndexHigh, d.FileIndexLow)
	}
	return p, nil
}

// volumeInformation adds the serial number, worded as on other systems, and what else the volume says of itself.
func (p *Place) volumeInformation(point *uint16) {
	var serial, longest, flags uint32
	kind := make([]uint16, windows.MAX_PATH+1)
	err := windows.GetVolumeInformation(point, nil, 0, &serial, &longest, &flags, &kind[0], uint32(len(kind)))
	if err != nil {
		return
	}
	if serial != 0 {
		p.Volume = fmt.Sprintf("%04X-%04X", serial>>16, serial&0xffff)
	}
	p.FSType = windows.UTF16ToString(kind)
	p.ReadOnly = flags&windows.FILE_READ_ONLY_VOLUME != 0
}

// mountID is the name that the system gave the volume, `\\?\Volume{…}`; of a share, which has none, host and share.
func mountID(f *os.File) string {
	const volumeNameGUID = 1
	if p, err := finalPath(windows.Handle(f.Fd()), volumeNameGUID); err == nil {
		if name, _, ok := strings.Cut(p, "}"); ok {
			return name + "}"
		}
	}
	p, err := finalPath(windows.Handle(f.Fd()), 0)
	if err != nil {
		return ""
	}
	return filepath.VolumeName(p)
}

func finalPath(handle windows.Handle, flags uint32) (string, error) {
	path := make([]uint16, windows.MAX_LONG_PATH)
	n, err := windows.GetFinalPathNameByHandle(handle, &path[0], uint32(len(path)), flags)
	if err != nil {
		return "", err
	}
	return windows.UTF16ToString(path[:min(int(n), len(path))]), nil
}

// diskUnder is the physical drive of a volume, the host of a share, or "" (a volume that spans disks).
func diskUnder(final, volume string) string {
	if share, ok := strings.CutPrefix(final, `\\?\UNC\`); ok {
		host, _, _ := strings.Cut(share, `\`)
		return "host " + strings.ToLower(host)
	}
	name, err := windows.UTF16PtrFromString(volume)
	if err != nil {
		return ""
	}
	h, err := windows.CreateFile(name, 0, windows.FILE_SHARE_READ|windows.FILE_SHARE_WRITE, nil, windows.OPEN_EXISTING, 0, 0)
	if err != nil {
		return ""
	}
	defer windows.CloseHandle(h)
	const ioctlStorageGetDeviceNumber = 0x2d1080
	var d struct{ Type, Number, Partition uint32 } // STORAGE_DEVICE_NUMBER
	var n uint32
	err = windows.DeviceIoControl(h, ioctlStorageGetDeviceNumber, nil, 0,
		(*byte)(unsafe.Pointer(&d)), uint32(unsafe.Sizeof(d)), &n, nil)
	if err != nil {
		return ""
	}
	return fmt.Sprintf("PhysicalDrive%d", d.Number)
}
