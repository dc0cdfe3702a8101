package lab

import (
	"errors"
	"os"
	"path/filepath"

	"golang.org/x/sys/unix"
)

// Filler is the name of the file that fills a drive.
const Filler = "filler.bin"

// Fill makes the file Filler so large that about leave bytes stay free, within a few
// blocks; btrfs, whose free space is an estimate, within a few megabytes.
func (d *Drive) Fill(leave int64) {
	d.lab.t.Helper()
	d.must("fill", d.fill(leave))
}

// Unfill removes the filler.
func (d *Drive) Unfill() {
	d.lab.t.Helper()
	d.must("empty", os.Remove(filepath.Join(d.path, Filler)))
	d.must("empty", d.flush())
}

// Free returns how many bytes a user can still write to the drive.
func (d *Drive) Free() int64 {
	d.lab.t.Helper()
	free, err := d.free()
	d.must("look at", err)
	return free
}

func (d *Drive) free() (int64, error) {
	var st unix.Statfs_t
	if err := unix.Statfs(d.path, &st); err != nil {
		return 0, err
	}
	return int64(st.Bavail) * st.Bsize, nil
}

// fill grows the filler by what is free too much, again and again: growing costs
// some space itself. What does not fit is halved.
func (d *Drive) fill(leave int64) error {
	f, err := os.OpenFile(filepath.Join(d.path, Filler), os.O_CREATE|os.O_RDWR, 0o644)
	if err != nil {
		return err
	}
	defer f.Close()
	info, err := f.Stat()
	if err != nil {
		return err
	}
	size, step := info.Size(), d.size
	for {
		free, err := d.free()
		if err != nil {
			return err
		}
		step = min(step, (free-leave)&^4095)
		if step <= 0 {
			return errors.Join(f.Sync(), d.flush())
		}
		switch err := d.grow(f, size, step); {
		case err == nil:
			size += step
		case errors.Is(err, unix.ENOSPC):
			step /= 2
		default:
			return err
		}
	}
}

// grow takes step more bytes for f. exfat-fuse cannot reserve space, but takes it
// when a file is made longer.
func (d *Drive) grow(f *os.File, size, step int64) error {
	if d.kind == ExFAT {
		return f.Truncate(size + step)
	}
	return unix.Fallocate(int(f.Fd()), 0, size, step)
}
