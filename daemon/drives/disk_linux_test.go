package drives

import (
	"os"
	"path/filepath"
	"strings"
	"testing"

	"github.com/moby/sys/mountinfo"
	"golang.org/x/sys/unix"
)

// sysfsOf makes a sysfs of lines "path", "path = text" or "path -> target".
func sysfsOf(t *testing.T, lines string) kernel {
	t.Helper()
	root := t.TempDir()
	for line := range strings.Lines(lines) {
		line = strings.TrimSpace(line)
		name, target, isLink := strings.Cut(line, " -> ")
		name, text, _ := strings.Cut(name, " = ")
		path := filepath.Join(root, name)
		if line == "" {
			continue
		}
		must(t, os.MkdirAll(filepath.Dir(path), 0o755))
		switch {
		case isLink:
			must(t, os.Symlink(target, path))
		case strings.HasSuffix(name, "/"):
			must(t, os.MkdirAll(path, 0o755))
		default:
			must(t, os.WriteFile(path, []byte(text+"\n"), 0o644))
		}
	}
	return kernel{sys: root, byUUID: filepath.Join(root, "by-uuid")}
}

const tree = `
dev/block/8:0 -> ../../devices/pci0/usb2/host6/block/sda
dev/block/8:1 -> ../../devices/pci0/usb2/host6/block/sda/sda1
dev/block/8:2 -> ../../devices/pci0/usb2/host6/block/sda/sda2
dev/block/259:3 -> ../../devices/pci0/nvme/nvme0n1/nvme0n1p3
dev/block/179:1 -> ../../devices/mmc/block/mmcblk0/mmcblk0p1
dev/block/253:0 -> ../../devices/virtual/block/dm-0
dev/block/253:1 -> ../../devices/virtual/block/dm-1
dev/block/253:2 -> ../../devices/virtual/block/dm-2
dev/block/9:0 -> ../../devices/virtual/block/md0
dev/block/7:4 -> ../../devices/virtual/block/loop4
devices/pci0/usb2/host6/block/sda/slaves/
devices/pci0/usb2/host6/block/sda/removable = 0
devices/pci0/usb2/host6/block/sda/sda1/partition = 1
devices/pci0/usb2/host6/block/sda/sda2/partition = 2
devices/pci0/nvme/nvme0n1/removable = 0
devices/pci0/nvme/nvme0n1/nvme0n1p3/partition = 3
devices/mmc/block/mmcblk0/removable = 1
devices/mmc/block/mmcblk0/mmcblk0p1/partition = 1
devices/virtual/block/dm-0/slaves/sda2 -> ../../../../pci0/usb2/host6/block/sda/sda2
devices/virtual/block/dm-1/slaves/dm-0 -> ../../dm-0
devices/virtual/block/dm-2/slaves/dm-2 -> ../../dm-2
devices/virtual/block/md0/slaves/sda1 -> ../../../../pci0/usb2/host6/block/sda/sda1
devices/virtual/block/md0/slaves/sdb1 -> ../../../../gone
devices/virtual/block/loop4/slaves/
block/sda -> ../devices/pci0/usb2/host6/block/sda
block/nvme0n1 -> ../devices/pci0/nvme/nvme0n1
block/mmcblk0 -> ../devices/mmc/block/mmcblk0
`

// TestDisk follows devices down to what would be lost as one. (P8)
func TestDisk(t *testing.T) {
	k := sysfsOf(t, tree)
	for _, c := range []struct {
		what         string
		major, minor uint32
		want         string
		removable    bool
	}{
		{"a whole disk", 8, 0, "sda", true},
		{"a partition", 8, 1, "sda", true},
		{"another partition of it", 8, 2, "sda", true},
		{"a partition with a number in the disk's name", 259, 3, "nvme0n1", false},
		{"a card", 179, 1, "mmcblk0", true},
		{"encryption on a partition", 253, 0, "sda", true},
		{"a logical volume on encryption", 253, 1, "sda", true},
		{"an array", 9, 0, "sda", true},
		{"a loop device", 7, 4, "loop4", false},
		{"a device that stands on itself", 253, 2, "dm-2", false},
		{"a device that sysfs does not show", 65, 9, "65:9", false},
	} {
		got := k.disk(unix.Mkdev(c.major, c.minor))
		if got != c.want || k.removable(got) != c.removable {
			t.Errorf("%s (%d:%d): %s removable %v, want %s %v", c.what, c.major, c.minor, got, k.removable(got), c.want, c.removable)
		}
	}
}

// TestServedBy names what stands behind file systems without a block device.
func TestServedBy(t *testing.T) {
	folder := t.TempDir()
	var st unix.Stat_t
	must(t, unix.Stat(folder, &st))
	own := number(unix.Mkdev(0, 44))
	under := own // where the temporary folder is itself without a device
	if unix.Major(st.Dev) != 0 {
		under = system.disk(st.Dev)
	}
	for _, c := range []struct{ kind, source, want string }{
		{"cifs", "//NAS/photos", "host nas"},
		{"cifs", "//nas", "host nas"},
		{"nfs4", "nas:/export/photos", "host nas"},
		{"nfs4", "[fe80::1]:/export", "host [fe80::1]"},
		{"fuse.sshfs", "ana@nas:/home/ana", "host nas"},
		{"zfs", "tank/photos", "pool tank"},
		{"fuse.cryptfolder", folder, under},
		{"fuse.union", "/a:/b", own},
		{"fuse.union", "a:b", own},
		{"tmpfs", "tmpfs", own},
		{"tmpfs", folder, own},
	} {
		got := system.servedBy(&mountinfo.Info{FSType: c.kind, Source: c.source}, unix.Mkdev(0, 44))
		if got != c.want {
			t.Errorf("%s %s: %q, want %q", c.kind, c.source, got, c.want)
		}
	}
}
