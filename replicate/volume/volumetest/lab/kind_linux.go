package lab

import (
	"bufio"
	"fmt"
	"os"
	"strings"
)

// able says why no drive of the kind can be had here, or nil.
func (k Kind) able() error {
	if smallest[k] == 0 {
		return fmt.Errorf("%q is not a kind of drive", string(k))
	}
	needs := []string{"mkfs." + string(k)}
	if k == ExFAT {
		needs = append(needs, exfatServer)
	}
	for _, name := range needs {
		if _, err := tool(name); err != nil {
			return err
		}
	}
	if !k.known() {
		command("modprobe", "-q", k.mountType()) // its success shows in the list alone
		if !k.known() {
			return fmt.Errorf("this kernel has no %s", k.mountType())
		}
	}
	return nil
}

// mountType is the kind's name in the kernel's list of file systems.
func (k Kind) mountType() string {
	if k == ExFAT {
		return "fuseblk"
	}
	return string(k)
}

func (k Kind) known() bool {
	f, err := os.Open("/proc/filesystems")
	if err != nil {
		return false
	}
	defer f.Close()
	for lines := bufio.NewScanner(f); lines.Scan(); {
		if fields := strings.Fields(lines.Text()); len(fields) > 0 && fields[len(fields)-1] == k.mountType() {
			return true
		}
	}
	return false
}

// mkfs is the command that formats image with the kind. No block is kept back for
// root, so that a full drive is full for the test as for everybody.
func (k Kind) mkfs(image, label string) []string {
	switch k {
	case Ext4:
		return []string{"mkfs.ext4", "-q", "-F", "-m", "0", "-L", label,
			"-E", "lazy_itable_init=0,lazy_journal_init=0", image}
	case XFS:
		return []string{"mkfs.xfs", "-q", "-f", "-L", label, image}
	case Btrfs:
		return []string{"mkfs.btrfs", "-q", "-f", "-L", label, image}
	default:
		return []string{"mkfs.exfat", "-L", label, image}
	}
}

// fsck is the command that repairs the file system on device, which is not
// mounted, and the highest exit code with which the file system is good afterwards.
func (k Kind) fsck(device string) (argv []string, best int) {
	switch k {
	case Ext4:
		return []string{"e2fsck", "-f", "-y", device}, 1
	case XFS:
		return []string{"xfs_repair", device}, 0
	case Btrfs:
		return []string{"btrfs", "check", device}, 0
	default:
		return []string{"fsck.exfat", "-y", device}, 1
	}
}
