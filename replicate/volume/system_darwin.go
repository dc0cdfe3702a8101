package volume

import (
	"fmt"
	"io/fs"
	"os"
	"strings"
	"syscall"

	"golang.org/x/sys/unix"
)

func folderKey(_ *os.File, fi fs.FileInfo) string {
	st := fi.Sys().(*syscall.Stat_t)
	return fmt.Sprintf("%d:%d", st.Dev, st.Ino)
}

func volumePart(key string) string { dev, _, _ := strings.Cut(key, ":"); return dev }

// pastCache turns caching off for the file. Pages that writing left in the
// cache may still be served: the system offers no way to drop those of one file.
func pastCache(f *os.File) error {
	_, err := unix.FcntlInt(f.Fd(), unix.F_NOCACHE, 1)
	return err
}

func forget(*os.File, int64, int64) {}

func sequential(*os.File) {}
