package transfer

import (
	"context"
	"errors"
	"io/fs"
	"iter"

	"copyhold/replicate"
	"copyhold/replicate/volume"
)

// Tree is what a scan walks.
type Tree interface {
	ReadDir(name string) ([]volume.Info, error)
}

// Scan walks a folder of the tree and yields what it meets, ordered by path
// byte for byte. Ignored names and folders are left out; links are met but never
// followed. A folder that cannot be read is yielded as such. When the walk ends
// early, because ctx ended or the volume went away, *failed says why, and what
// was not yielded is not known to be gone.
func Scan(ctx context.Context, tree Tree, folder string, ignore func(path string, dir bool) bool, failed *error) iter.Seq[replicate.Seen] {
	return func(yield func(replicate.Seen) bool) {
		w := walk{ctx: ctx, tree: tree, ignore: ignore, yield: yield}
		if _, err := w.folder(folder); err != nil {
			*failed = err
		}
	}
}

// ScanLoose is Scan for the files directly in the tree's top folder.
func ScanLoose(tree Tree, ignore func(path string, dir bool) bool) ([]replicate.Seen, error) {
	infos, err := tree.ReadDir("")
	if err != nil {
		return nil, err
	}
	var seen []replicate.Seen
	for _, info := range infos {
		if info.Kind != volume.Folder && !ignore(info.Name, false) {
			seen = append(seen, SeenOf(info.Name, info))
		}
	}
	return seen, nil
}

// Folders lists the shoots' folders of a working folder.
func Folders(tree Tree, ignore func(path string, dir bool) bool) ([]string, error) {
	infos, err := tree.ReadDir("")
	if err != nil {
		return nil, err
	}
	var names []string
	for _, info := range infos {
		if info.Kind == volume.Folder && !ignore(info.Name, true) {
			names = append(names, info.Name)
		}
	}
	return names, nil
}

// SeenOf is one look at one path.
func SeenOf(path string, info volume.Info) replicate.Seen {
	what := replicate.Special
	if info.Kind == volume.Regular {
		what = replicate.Regular
	}
	return replicate.Seen{Path: path, Stat: info.Stat, What: what}
}

// topLost tells a volume that is gone from one bad place on it: a single folder
// that cannot be read must not hide all others.
func (w *walk) topLost() bool {
	_, err := w.tree.ReadDir("")
	return err != nil
}

type walk struct {
	ctx    context.Context
	tree   Tree
	ignore func(string, bool) bool
	yield  func(replicate.Seen) bool
}

// folder walks one folder; more is false when nobody wants to hear further.
func (w *walk) folder(name string) (more bool, err error) {
	if err := w.ctx.Err(); err != nil {
		return false, err
	}
	infos, err := w.tree.ReadDir(name)
	switch {
	case errors.Is(err, fs.ErrNotExist):
		return true, nil // it left since its parent was read
	case errors.Is(err, volume.ErrLost) && w.topLost():
		return false, err
	case err != nil:
		return w.yield(replicate.Seen{Path: name + "/", What: replicate.ClosedFolder}), nil
	}
	for _, info := range infos {
		path := name + "/" + info.Name
		switch {
		case w.ignore(path, info.Kind == volume.Folder):
			continue
		case info.Kind == volume.Folder:
			more, err = w.folder(path)
		default:
			more = w.yield(SeenOf(path, info))
		}
		if !more || err != nil {
			return more, err
		}
	}
	return true, nil
}
