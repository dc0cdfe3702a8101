package watch

import (
	"context"
	"errors"
	"io/fs"
	"os"

	"github.com/fsnotify/fsnotify"
)

// take handles what the system said. The rest of a batch is dropped when an event
// made the watcher start afresh: that was a Rescan.
func (w *Watcher) take(ctx context.Context, b batch) {
	src := w.src
	for _, err := range b.errs {
		// Not acted upon: what matters of it shows at the next check. Linux
		// reports here, harmlessly, a folder that was renamed and then removed.
		w.log.Debug("watch reported an error", "folder", w.root, "err", err)
	}
	if b.lost {
		w.lost = Overflowed // the next check starts afresh: once, however often in between
	}
	for _, ev := range b.events {
		w.event(ctx, ev)
		if w.src != src || ctx.Err() != nil {
			return
		}
	}
}

func (w *Watcher) event(ctx context.Context, ev fsnotify.Event) {
	rel, ok := w.rel(ev.Name)
	switch {
	case !ok:
	case rel == "":
		if ev.Has(fsnotify.Remove) || ev.Has(fsnotify.Rename) {
			w.check(ctx)
		}
	case ev.Has(fsnotify.Create) || ev.Has(fsnotify.Remove) || ev.Has(fsnotify.Rename):
		w.moved(ctx, rel, ev.Op)
	case !w.ignored(rel, false):
		w.pending.touch(rel)
	}
}

// moved handles a path that came or went. It reads what is there now whichever it
// was: on Linux a folder that is moved twice in a row, or moved and made again, loses
// the watch of its new self to the late event of its old self.
func (w *Watcher) moved(ctx context.Context, rel string, op fsnotify.Op) {
	if !op.Has(fsnotify.Create) {
		w.forget(rel)
	}
	info, err := os.Lstat(w.name(rel))
	dir := err == nil && info.IsDir()
	if w.ignored(rel, dir) {
		return
	}
	w.pending.touch(rel)
	if dir {
		w.walk(ctx, rel, w.pending.touch)
	}
}

// forget removes the watches of a folder that went away and of all below it: a
// renamed folder's subfolders stay watched, under a name that is no longer theirs.
func (w *Watcher) forget(rel string) {
	for _, gone := range w.watched.cut(rel) {
		_ = w.src.Remove(w.name(gone)) // most are gone by themselves
	}
}

// walk watches top and the folders below it, and tells found of all that is in
// them. Each folder is added before it is read: what is made before the reading is
// found by it, what is made after it raises an event, and nothing falls in between.
// It goes by level, so that where watches run out the upper folders have them.
// A nil found means that a Rescan follows: then what cannot be watched is not read.
func (w *Watcher) walk(ctx context.Context, top string, found func(rel string)) {
	queue := []string{top}
	for len(queue) > 0 && ctx.Err() == nil {
		rel := queue[0]
		queue = queue[1:]
		if found == nil && (w.refused != nil || depth(rel) > w.depth) {
			return
		}
		entries, err := w.enter(rel)
		if err != nil && found != nil {
			w.lost = Unread
		}
		for _, entry := range entries {
			in := join(rel, entry.Name())
			if found == nil && !entry.IsDir() || w.ignored(in, entry.IsDir()) {
				continue
			}
			if found != nil {
				found(in)
			}
			if entry.IsDir() {
				queue = append(queue, in)
			}
		}
	}
}

// enter watches a folder, then reads it. A folder that has gone meanwhile, or that
// may not be read, is no error: a scan would find no more in it.
func (w *Watcher) enter(rel string) ([]fs.DirEntry, error) {
	name := w.name(rel)
	if depth(rel) <= w.depth {
		w.add(rel, name)
	}
	entries, err := readFolder(name, rel == "")
	if err == nil {
		return entries, nil
	}
	w.log.Debug("read a folder", "folder", name, "err", err)
	if info, e := os.Lstat(name); rel != "" && (e != nil || !info.IsDir()) {
		w.forget(rel) // became a link, say, and the watch is of what it leads to
		return nil, nil
	}
	if errors.Is(err, fs.ErrPermission) || errors.Is(err, fs.ErrNotExist) {
		return nil, nil // or it went and came: that raises an event
	}
	return entries, err
}

func (w *Watcher) add(rel, name string) {
	err := w.src.Add(name)
	switch {
	case err == nil:
		w.watched.add(rel)
	case errors.Is(err, fs.ErrNotExist):
		// Gone since it was found; the folder that it was in is watched.
	case rel == "" || isLimit(err):
		w.refuse(rel, err)
	default:
		w.log.Debug("watch a folder", "folder", name, "err", err)
	}
}

// readFolder returns what is in a folder, in no order. It follows no link, but
// for the root, and never waits at a pipe that has just taken the folder's name.
func readFolder(name string, root bool) ([]fs.DirEntry, error) {
	flags := os.O_RDONLY | onlyFolder
	if !root {
		flags |= noFollow
	}
	f, err := os.OpenFile(name, flags, 0)
	if err != nil {
		return nil, err
	}
	defer f.Close()
	return f.ReadDir(-1)
}
