package lab

import (
	"bytes"
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"

	"golang.org/x/sys/unix"
)

// nextImage returns a new name for an image of the drive.
func (d *Drive) nextImage() string {
	d.images++
	return filepath.Join(d.lab.dir, fmt.Sprintf("%s.%d.img", d.name, d.images))
}

// format makes the image and the file system on it, then the spare tail.
func (d *Drive) format() error {
	f, err := os.Create(d.image)
	if err != nil {
		return err
	}
	if err := errors.Join(f.Truncate(d.size), f.Close()); err != nil {
		return err
	}
	if _, err := command(d.kind.mkfs(d.image, d.name)...); err != nil {
		return err
	}
	return os.Truncate(d.image, d.size+spare)
}

// Clone returns a second drive with the same content, down to its UUID, not
// plugged in. What was written to the first one is flushed before.
func (d *Drive) Clone() *Drive {
	d.lab.t.Helper()
	d.must("flush", d.flush())
	c := d.lab.drive(d.kind)
	c.size = d.size
	c.must("clone", copySparse(c.image, d.image))
	return c
}

// flush writes everything that is kept of the drive to its image.
func (d *Drive) flush() error {
	if !d.plugged {
		return nil
	}
	root, err := os.Open(d.path)
	if err != nil {
		return err
	}
	defer root.Close()
	if err := unix.Syncfs(int(root.Fd())); err != nil {
		return err
	}
	return d.loop.flush()
}

// copySparse copies an image without its holes.
func copySparse(to, from string) error {
	src, err := os.Open(from)
	if err != nil {
		return err
	}
	defer src.Close()
	info, err := src.Stat()
	if err != nil {
		return err
	}
	dst, err := os.Create(to)
	if err != nil {
		return err
	}
	for offset := int64(0); err == nil; {
		offset, err = copyData(dst, src, offset)
	}
	if errors.Is(err, unix.ENXIO) { // no more data
		err = nil
	}
	return errors.Join(err, dst.Truncate(info.Size()), dst.Close())
}

// copyData copies the next stretch of data at or after offset and returns its end.
func copyData(dst, src *os.File, offset int64) (end int64, err error) {
	start, err := unix.Seek(int(src.Fd()), offset, unix.SEEK_DATA)
	if err != nil {
		return 0, err
	}
	if end, err = unix.Seek(int(src.Fd()), start, unix.SEEK_HOLE); err != nil {
		return 0, err
	}
	to := io.NewOffsetWriter(dst, start)
	_, err = io.Copy(to, io.NewSectionReader(src, start, end-start))
	return end, err
}

// RotFile flips one byte of the middle of a file, given by its path on the drive,
// on the disk below the file system, as ageing does. What the page cache holds of the file
// does not change: the rot is read after the file is evicted, as wrong content or,
// on btrfs, which has checksums, as EIO. btrfs keeps the smallest files elsewhere:
// give it 64 KB or more.
func (d *Drive) RotFile(rel string) {
	d.lab.t.Helper()
	d.must("rot "+rel+" on", d.rot(filepath.Join(d.path, rel), false))
}

// RotUnder is RotFile with the device's own cache left as it is, filled with the
// file as it was. Only on exFAT does that differ: its server reads the device
// through that cache.
func (d *Drive) RotUnder(rel string) {
	d.lab.t.Helper()
	d.must("rot under "+rel+" on", d.rot(filepath.Join(d.path, rel), true))
}

func (d *Drive) rot(path string, under bool) error {
	f, err := os.Open(path)
	if err != nil {
		return err
	}
	defer f.Close()
	info, err := f.Stat()
	if err != nil {
		return err
	}
	// Nothing dirty may stay anywhere: writing it back would heal the rot.
	if err := errors.Join(f.Sync(), d.flush()); err != nil {
		return err
	}
	image, err := os.OpenFile(d.image, os.O_RDWR, 0)
	if err != nil {
		return err
	}
	defer image.Close()
	offset, err := d.locate(f, image, info.Size())
	if err != nil {
		return err
	}
	if under {
		if err := warm(f); err != nil {
			return err
		}
	}
	if err := flip(image, offset); err != nil {
		return err
	}
	if d.server == nil || under {
		return nil
	}
	return d.loop.flush() // the server reads through the device's own cache
}

// warm reads a file from the device, so that both caches have it.
func warm(f *os.File) error {
	if err := unix.Fadvise(int(f.Fd()), 0, 0, unix.FADV_DONTNEED); err != nil {
		return err
	}
	_, err := io.Copy(io.Discard, io.NewSectionReader(f, 0, 1<<62))
	return err
}

// locate returns where in the image the middle byte of f is.
func (d *Drive) locate(f, image *os.File, size int64) (int64, error) {
	if d.kind == Ext4 || d.kind == XFS {
		return physical(f, size/2)
	}
	return search(f, image, size)
}

// search finds the middle of f in the image by its content. btrfs tells only
// logical addresses, and exFAT's server none.
func search(f, image *os.File, size int64) (int64, error) {
	const page = 4096
	start := size / 2 / page * page
	block := make([]byte, min(page, size-start))
	if _, err := f.ReadAt(block, start); err != nil {
		return 0, err
	}
	info, err := image.Stat()
	if err != nil {
		return 0, err
	}
	disk, err := unix.Mmap(int(image.Fd()), 0, int(info.Size()), unix.PROT_READ, unix.MAP_SHARED)
	if err != nil {
		return 0, err
	}
	defer unix.Munmap(disk)
	at := bytes.Index(disk, block)
	if at < 0 || bytes.Contains(disk[at+1:], block) {
		return 0, errors.New("the middle of the file is not just once on the disk: give it random content")
	}
	return int64(at) + size/2 - start, nil
}
