package watch

import (
	"context"
	"errors"
	"io/fs"
	"os"
	"syscall"
	"time"
)

// errGone is logged when the root went away between two looks at it.
var errGone = errors.New("gone while it was looked at")

// check compares what is there with what is watched and puts right what differs.
// It is the one place where watching starts, starts afresh and ends.
func (w *Watcher) check(ctx context.Context) {
	info, err := os.Stat(w.root)
	switch {
	case err != nil || !info.IsDir():
		w.leave(err)
	case w.src == nil:
		w.begin(ctx, info)
	case w.lost != "":
		w.again(ctx, info, w.lost)
	case !os.SameFile(info, w.root0) || w.watchesLost():
		w.again(ctx, info, WatchesLost)
	case w.limitLifted():
		w.again(ctx, info, LimitLifted)
	}
}

// leave ends the watching: the root is not there. Watches kept on would tell, under
// the old name, of a folder that was renamed with everything above it.
func (w *Watcher) leave(err error) {
	w.close()
	w.lost = ""
	if w.goneSaid {
		return
	}
	w.goneSaid, w.next = true, Returned
	w.pending.away()
	w.log.Info("working folder is away", "folder", w.root, "err", err)
}

func (w *Watcher) again(ctx context.Context, root fs.FileInfo, why Why) {
	w.close()
	w.next = why
	w.begin(ctx, root)
}

// begin connects, watches all, and then asks for a scan. The order matters: what
// changes before the scan is seen by it, what changes after it raises an event.
func (w *Watcher) begin(ctx context.Context, root fs.FileInfo) {
	started := time.Now()
	src, err := w.open()
	if err != nil {
		w.refuse("", err) // the next check tries again
		return
	}
	w.src, w.root0, w.lost, w.refused = src, root, "", nil
	os.SameFile(root, root) // makes Windows read the root's identity now, not at the comparison
	w.walk(ctx, "", nil)
	if !w.watched.has("") && w.refused == nil {
		w.leave(errGone)
		return
	}
	w.unlist()
	if w.limited && w.refused == nil {
		w.limited, w.next = false, LimitLifted
	}
	w.goneSaid = false
	w.pending.rescan(w.next)
	w.log.Info("watching", "folder", w.root, "folders", w.watched.len, "why", w.next, "took", time.Since(started))
}

// watchesLost tells whether the system has dropped watches without a word. Only the
// root's is believed at once: others may be gone because their folders are, with the
// events still on their way, so these must be missing in two checks.
func (w *Watcher) watchesLost() bool {
	before := w.missing
	w.missing = w.unlisted()
	for rel := range w.missing {
		if rel == "" || before[rel] {
			return true
		}
	}
	return false
}

// unlisted returns the folders that should be watched and are not.
func (w *Watcher) unlisted() map[string]bool {
	list := w.src.WatchList()
	if len(list) == w.watched.len {
		return nil
	}
	listed := make(map[string]bool, len(list))
	for _, name := range list {
		listed[name] = true
	}
	missing := make(map[string]bool)
	for rel := range w.watched.all() {
		if !listed[w.name(rel)] {
			missing[rel] = true
		}
	}
	return missing
}

// unlist gives up on folders that cannot have a watch under this name because they
// have it under another: a folder mounted in two places of the tree. Without this
// they would be missed, and all begun afresh, for ever.
func (w *Watcher) unlist() {
	for rel := range w.unlisted() {
		if rel != "" { // the root has one name only: it is lost, as the next check will find
			w.watched.drop(rel)
		}
	}
}

// refuse notes that the system would not watch rel, and says so the first time.
func (w *Watcher) refuse(rel string, err error) {
	if w.refused == nil {
		w.refused, w.ticks = &rel, 0
	}
	if w.limited {
		return
	}
	w.limited = true
	w.pending.limit(Hint{Kind: Limited, Why: LimitReached, Watched: w.watched.len, Remedy: remedy(err)})
	w.log.Warn("watch limit reached", "folder", w.root, "folders", w.watched.len, "err", err)
}

// limitLifted tries, now and then, to watch the folder that was refused first.
func (w *Watcher) limitLifted() bool {
	if w.refused == nil {
		return false
	}
	if w.ticks++; w.ticks < w.liftTicks {
		return false
	}
	w.ticks = 0
	err := w.src.Add(w.name(*w.refused))
	return err == nil || errors.Is(err, fs.ErrNotExist)
}

// isLimit tells whether err says that there could be no more watches, rather than
// that this folder could have none.
func isLimit(err error) bool {
	for _, limit := range []error{syscall.ENOSPC, syscall.EMFILE, syscall.ENFILE, syscall.ENOMEM} {
		if errors.Is(err, limit) {
			return true
		}
	}
	return false
}
