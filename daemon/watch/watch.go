// Package watch tells where to look again: it hides the system's file
// notifications, their limits and the many ways in which they go silent.
//
// Rules:
//   - A [Hint] is never a fact. It may come twice, late, or for a path that is
//     gone by now; only what is read from the disk counts.
//   - What changes and gets no hint of its own is covered by a [Rescan] or, where
//     the system cannot say (see [Limited] and watchDepth), by the timed scan.
//   - It reads names of folders, no file, and writes nothing (P1).
//   - Symlinks are hinted and never followed. The root alone may be one.
//
// One Watcher serves one working folder. Its two states, each entered by what
// [Watcher.check] reads, never by what an event claims:
//
//	        root is there: add all, Rescan
//	away ------------------------------------> watching ---. events or watches lost,
//	  ^                                         |    ^     | another folder there:
//	  '-----------------------------------------'    '-----' start afresh, Rescan
//	             root is gone: Away once
//
// Starting afresh means a new connection to the system. Patching up the old one
// would not do: after lost events it holds watches of folders under names that they
// no longer have, and nothing tells which.
package watch

import (
	"context"
	"io/fs"
	"log/slog"
	"path"
	"path/filepath"
	"strings"
	"time"
)

const (
	// pollEvery is how often the root and the watches are compared with what
	// should be there: an unmount takes the watches away without a word
	// (fsnotify issue 774).
	pollEvery = 2 * time.Second
	// liftTicks is after how many polls a reached limit is tried again.
	liftTicks = 150
	// maxPending is how many paths wait for a slow reader before they become
	// one Rescan: some 10 MB.
	maxPending = 50_000
	// ownFolder is the folder in which Copyhold keeps its own files on a drive.
	ownFolder = ".copyhold"
)

// Watcher watches one folder tree. Make it with [New].
type Watcher struct {
	root   string
	ignore func(rel string, dir bool) bool
	log    *slog.Logger
	hints  chan Hint

	// Set by tests.
	poll      time.Duration
	liftTicks int
	depth     int
	open      func() (*source, error)

	// Owned by the goroutine of Run.
	src      *source // nil while away
	root0    fs.FileInfo
	watched  folders
	pending  pending
	next     Why             // why the next start is a Rescan
	lost     Why             // "" unless events were lost since the last start
	missing  map[string]bool // watches that the last check did not find
	refused  *string         // first folder that the system would not watch
	ticks    int             // checks since the refusal
	limited  bool            // Limited was said and still holds
	goneSaid bool            // Away was said and still holds
}

// New returns a Watcher of the tree at root. Nothing is read before
// [Watcher.Run]. A path for which ignore answers true gets no hint, and as a
// folder no watch; a nil ignore wants everything. A nil log is silent.
func New(root string, ignore func(rel string, dir bool) bool, log *slog.Logger) *Watcher {
	if ignore == nil {
		ignore = func(string, bool) bool { return false }
	}
	if log == nil {
		log = slog.New(slog.DiscardHandler)
	}
	return &Watcher{
		root:      filepath.Clean(root),
		ignore:    ignore,
		log:       log,
		hints:     make(chan Hint),
		poll:      pollEvery,
		liftTicks: liftTicks,
		depth:     watchDepth,
		open:      openSource,
		pending:   pending{max: maxPending},
		next:      Started,
	}
}

// Hints returns the channel of hints. It is never closed. Hints that are not
// fetched wait, each path once; the watching goes on meanwhile.
func (w *Watcher) Hints() <-chan Hint { return w.hints }

// Run watches until ctx ends, then returns nil: there is no trouble that it gives
// up on. Its first hint is [Rescan], [Limited] or [Away]. Call it once. When it
// has returned, no goroutine, watch or handle is left, which Windows wants before
// a drive is unplugged. A disk that hangs makes Run hang with it, in a system call.
func (w *Watcher) Run(ctx context.Context) error {
	defer w.close()
	poll := time.NewTicker(w.poll)
	defer poll.Stop()
	w.check(ctx)
	for {
		hint, out := w.offer()
		select {
		case <-ctx.Done():
			return nil
		case out <- hint:
			w.pending.drop(hint)
		case b := <-w.batches():
			w.take(ctx, b)
		case <-poll.C:
			w.check(ctx)
		}
	}
}

// offer returns the next hint and the channel for it, nil when there is none.
func (w *Watcher) offer() (Hint, chan<- Hint) {
	if hint, ok := w.pending.first(); ok {
		return hint, w.hints
	}
	return Hint{}, nil
}

func (w *Watcher) batches() <-chan batch {
	if w.src == nil {
		return nil
	}
	return w.src.batches
}

func (w *Watcher) close() {
	if w.src == nil {
		return
	}
	if err := w.src.stop(); err != nil {
		w.log.Debug("stop watching", "folder", w.root, "err", err)
	}
	w.src = nil
	w.watched = folders{}
	w.missing = nil
}

// name returns the path of rel on this system.
func (w *Watcher) name(rel string) string {
	return filepath.Join(w.root, filepath.FromSlash(rel))
}

// rel is the inverse of name; false for what is not in the tree.
func (w *Watcher) rel(name string) (string, bool) {
	if name == w.root {
		return "", true
	}
	sep := string(filepath.Separator)
	rel, ok := strings.CutPrefix(name, strings.TrimSuffix(w.root, sep)+sep)
	return filepath.ToSlash(rel), ok && rel != ""
}

func (w *Watcher) ignored(rel string, dir bool) bool {
	return path.Base(rel) == ownFolder || w.ignore(rel, dir)
}
