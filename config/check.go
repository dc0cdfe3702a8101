package config

import (
	"errors"
	"io/fs"
	"os"
	"path/filepath"
)

// Check looks at the working folders on the disk: whether each is there, is a
// folder, and is apart from the other ones and from drives, the folders of the
// drives that are known. All that is wrong is returned joined; what is merely
// away is a *MissingFolder, see SplitMissing.
func (c Config) Check(drives []string) error {
	var errs []error
	for i, w := range c.Working {
		if err := w.look(); err != nil {
			errs = append(errs, err)
		}
		for _, other := range c.Working[:i] {
			if relation := relate(w.Folder, other.Folder, withinOnDisk); relation != "" {
				errs = append(errs, w.at.errorf("folders apart from each other",
					"the working folder %q %s the working folder %q", w.Folder, relation, other.Folder))
			}
		}
		errs = append(errs, w.meets(drives)...)
	}
	return errors.Join(errs...)
}

// look returns an error unless w's folder is there and is one.
func (w Working) look() error {
	const expected = "a folder that exists"
	info, err := os.Stat(w.Folder)
	switch {
	case errors.Is(err, fs.ErrNotExist):
		return &MissingFolder{w, w.at.errorf(expected, "the working folder %q is missing", w.Folder)}
	case err != nil:
		e := w.at.errorf(expected, "the working folder %q cannot be looked at", w.Folder)
		e.Err = bareCause(err)
		return e
	case !info.IsDir():
		return w.at.errorf(expected, "the working folder %q is a file", w.Folder)
	}
	return nil
}

// bareCause drops the path, which the message names already.
func bareCause(err error) error {
	var pe *fs.PathError
	if errors.As(err, &pe) {
		return pe.Err
	}
	return err
}

// meets finds the drives that w is not apart from. To copy to a drive inside w
// would be to write to a source (P1), and each copy would then be copied again.
func (w Working) meets(drives []string) (errs []error) {
	for _, drive := range drives {
		if relation := relate(w.Folder, drive, withinOnDisk); relation != "" {
			errs = append(errs, w.at.errorf("working folders and drives apart from each other",
				"the working folder %q %s the drive %q", w.Folder, relation, drive))
		}
	}
	return errs
}

// withinOnDisk is below, but sees through links, through letters that the file
// system holds to be alike, and through a folder mounted twice.
func withinOnDisk(inner, outer string) bool {
	inner, outer = resolve(inner), resolve(outer)
	if below(inner, outer) {
		return true
	}
	target, err := os.Stat(outer)
	if err != nil {
		return false
	}
	for dir := inner; ; dir = filepath.Dir(dir) {
		if info, err := os.Stat(dir); err == nil && os.SameFile(info, target) {
			return true
		}
		if dir == filepath.Dir(dir) {
			return false
		}
	}
}

// resolve follows the links of path as far as it exists.
func resolve(path string) string {
	if abs, err := filepath.Abs(path); err == nil {
		path = abs
	}
	if real, err := filepath.EvalSymlinks(path); err == nil {
		return real
	}
	if parent := filepath.Dir(path); parent != path {
		return filepath.Join(resolve(parent), filepath.Base(path))
	}
	return path
}
