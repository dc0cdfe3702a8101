package drives

import (
	"errors"
	"io/fs"
	"os"
	"path/filepath"
	"strings"
)

// disk is the kernel's name of the physical disk under the block device dev: partitions lead to their disk, mapped
// devices (encryption, volume groups, arrays) to the first of what they are made of. A loop device is a disk of its
// own. Without sysfs it is the device's number.
//
// sysfs is described in the kernel's Documentation/ABI, files stable/sysfs-block and testing/sysfs-block-dm.
func (k kernel) disk(dev uint64) string {
	folder, err := filepath.EvalSymlinks(filepath.Join(k.sys, "dev/block", number(dev)))
	if err != nil {
		return number(dev)
	}
	return filepath.Base(bottom(folder))
}

// bottom walks down from a block device's folder in sysfs. The count ends a walk in a tree that leads around.
func bottom(folder string) string {
	for range 16 {
		if exists(filepath.Join(folder, "partition")) {
			folder = filepath.Dir(folder)
			continue
		}
		below, err := os.ReadDir(filepath.Join(folder, "slaves")) // in the order of names
		if err != nil || len(below) == 0 {
			break
		}
		next, err := filepath.EvalSymlinks(filepath.Join(folder, "slaves", below[0].Name()))
		if err != nil {
			break
		}
		folder = next
	}
	return folder
}

// removable says whether a disk is made to be carried away: the kernel's flag is set for cards and sticks only, so
// whatever hangs on a plug outside counts too.
func (k kernel) removable(disk string) bool {
	folder, err := filepath.EvalSymlinks(filepath.Join(k.sys, "block", disk))
	if err != nil {
		return false
	}
	flag, _ := os.ReadFile(filepath.Join(folder, "removable"))
	return strings.TrimSpace(string(flag)) == "1" || strings.Contains(folder, "/usb") || strings.Contains(folder, "/fw")
}

// exists says that path names something.
func exists(path string) bool {
	_, err := os.Lstat(path)
	return !errors.Is(err, fs.ErrNotExist)
}
