package daemon

import (
	"cmp"
	"context"
	"errors"
	"io/fs"
	"iter"
	"maps"
	"slices"
	"sync"
	"time"

	"copyhold/daemon/drives"
	"copyhold/daemon/watch"
	"copyhold/replicate"
	"copyhold/replicate/transfer"
	"copyhold/replicate/volume"
	"copyhold/state"
)

// tree looks at one working folder: it follows the watcher's hints, scans, and
// tells the loop what it read. It holds the folder open only while it reads, so
// that the working drive can be unplugged in good order.
type tree struct {
	d       *Daemon
	name    string
	path    string
	ignored func(path string, dir bool) bool
	watcher *watch.Watcher
	limited bool // not every folder is watched

	mu     sync.Mutex
	wanted request
	signal chan struct{}
}

// request is what the loop wants looked at.
type request struct {
	files  map[replicate.FileID]bool
	shoots map[string]bool
}

const (
	lookBatch   = 1000
	changeBatch = 1000
	awayPoll    = 2 * time.Second

	limitedRescan = 2 * time.Minute
)

func newTree(d *Daemon, name, path string) *tree {
	ignored := ignoring(d.opt.Config.Watch.Ignore)
	return &tree{
		d: d, name: name, path: path, ignored: ignored,
		watcher: watch.New(path, ignored, d.log.With("working", name)),
		signal:  make(chan struct{}, 1),
	}
}

// ask is how the loop wants something looked at; it never waits.
func (t *tree) ask(fill func(*request)) {
	t.mu.Lock()
	if t.wanted.files == nil {
		t.wanted = request{files: map[replicate.FileID]bool{}, shoots: map[string]bool{}}
	}
	fill(&t.wanted)
	t.mu.Unlock()
	select {
	case t.signal <- struct{}{}:
	default:
	}
}

func (t *tree) take() request {
	t.mu.Lock()
	defer t.mu.Unlock()
	r := t.wanted
	t.wanted = request{}
	return r
}

// run looks until ctx ends.
func (t *tree) run(ctx context.Context) {
	var wg sync.WaitGroup
	defer wg.Wait()
	wg.Go(func() {
		if err := t.watcher.Run(ctx); err != nil && ctx.Err() == nil {
			t.d.log.Error("watching ended", "working", t.name, "err", err)
		}
	})
	rescan := time.NewTimer(t.rescanEvery())
	defer rescan.Stop()
	online := t.greet(ctx) // the scan follows once the watches stand
	for {
		var again <-chan time.Time
		if !online {
			again = time.After(awayPoll)
		}
		select {
		case <-ctx.Done():
			return
		case h := <-t.watcher.Hints():
			online = t.follow(ctx, h, online)
		case <-t.signal:
			online = t.serve(ctx, t.take(), online)
		case <-again:
			online = t.scanAll(ctx)
		case <-rescan.C:
			online = t.scanAll(ctx)
			rescan.Reset(t.rescanEvery())
		}
	}
}

// rescanEvery is the rhythm of the timed scans; they are all there is for
// folders that the system does not watch.
func (t *tree) rescanEvery() time.Duration {
	every := time.Duration(t.d.opt.Config.Watch.Rescan)
	if t.limited {
		return min(every, limitedRescan)
	}
	return every
}

// follow takes a hint and those that wait behind it.
func (t *tree) follow(ctx context.Context, h watch.Hint, online bool) bool {
	touched := map[string]bool{}
	for more := true; more && len(touched) < lookBatch; {
		switch h.Kind {
		case watch.Touched:
			touched[h.Path] = true
		case watch.Limited:
			t.limited = true
			t.d.send(ctx, limitMet{t.name, max(h.Watched, 1)})
		case watch.Rescan:
			if h.Why == watch.LimitLifted {
				t.limited = false
				t.d.send(ctx, limitMet{t.name, 0})
			}
			return t.scanAll(ctx)
		case watch.Away:
			return t.scanAll(ctx) // which finds out and tells
		}
		select {
		case h = <-t.watcher.Hints():
		default:
			more = false
		}
	}
	if !online {
		return t.scanAll(ctx)
	}
	return t.look(ctx, slices.Sorted(maps.Keys(touched)), true)
}

func (t *tree) serve(ctx context.Context, r request, online bool) bool {
	if !online {
		return t.scanAll(ctx)
	}
	var paths []string
	for id := range r.files {
		paths = append(paths, id.Path)
	}
	slices.Sort(paths)
	if len(paths) > 0 && !t.look(ctx, paths, false) {
		return t.scanAll(ctx)
	}
	if len(r.shoots) == 0 {
		return true
	}
	return t.scan(ctx, slices.Sorted(maps.Keys(r.shoots)))
}

// looked is what was seen at some paths.
type looked struct {
	working string
	event   bool // an event was the reason, not the alarm
	seen    []replicate.Seen
	gone    []string
	at      time.Time
}

// look reads what the paths are now; false when the folder is not there.
func (t *tree) look(ctx context.Context, paths []string, event bool) bool {
	src, err := volume.OpenSource(t.path)
	if err != nil {
		return t.scanAll(ctx)
	}
	defer src.Close()
	l := looked{working: t.name, event: event, at: time.Now()}
	for _, path := range paths {
		if path == "" {
			continue
		}
		info, err := src.Lstat(path)
		switch {
		case errors.Is(err, fs.ErrNotExist), errors.Is(err, volume.ErrBlocked):
			l.gone = append(l.gone, path)
		case err != nil:
			t.d.log.Debug("cannot look", "working", t.name, "file", path, "err", err)
		case info.Kind != volume.Folder:
			l.seen = append(l.seen, transfer.SeenOf(path, info))
		}
	}
	if src.Same() != nil {
		return t.scanAll(ctx)
	}
	t.d.send(ctx, l)
	return true
}

// scanAll scans every shoot; false when the folder is away.
func (t *tree) scanAll(ctx context.Context) bool { return t.scan(ctx, nil) }

// scan reads shoots, or all of them, and tells the loop what differs from the
// ledger. Nothing is concluded from a walk that did not end well.
func (t *tree) scan(ctx context.Context, only []string) bool {
	s, place, why := t.open(ctx)
	if s == nil {
		t.d.send(ctx, workingAway{t.name, why})
		return false
	}
	defer s.src.Close()
	t.d.send(ctx, workingHere{t.name, place, true})
	began := time.Now()
	if err := s.run(only); err != nil {
		if ctx.Err() == nil {
			t.d.log.Warn("scan broken off", "working", t.name, "err", err)
			t.d.send(ctx, workingAway{t.name, whyAway(err)})
		}
		return false
	}
	t.d.send(ctx, scanned{working: t.name, all: only == nil, closed: s.closed, files: s.files, took: time.Since(began)})
	return true
}

// greet finds out whether the folder is there, without a scan: what is wanted is
// known from the ledger, so that copying can go on at once.
func (t *tree) greet(ctx context.Context) bool {
	s, place, why := t.open(ctx)
	if s == nil {
		t.d.send(ctx, workingAway{t.name, why})
		return false
	}
	defer s.src.Close()
	t.d.send(ctx, workingHere{t.name, place, false})
	return true
}

// open holds the folder for a scan, if it is there and believed.
func (t *tree) open(ctx context.Context) (s *scan, place drives.Place, why string) {
	src, err := volume.OpenSource(t.path)
	if err != nil {
		return nil, place, whyAway(err)
	}
	s = &scan{t: t, ctx: ctx, src: src, closed: map[string]bool{}}
	if place, err = drives.Describe(t.path); err != nil {
		why = whyAway(err)
	} else {
		why = s.plausible(place)
	}
	if why != "" {
		src.Close()
		return nil, place, why
	}
	return s, place, ""
}

func whyAway(err error) string {
	switch {
	case errors.Is(err, fs.ErrNotExist):
		return "the folder is not there"
	case errors.Is(err, fs.ErrPermission):
		return "the folder may not be read"
	default:
		return err.Error()
	}
}

// scan is one scan under way.
type scan struct {
	t       *tree
	ctx     context.Context
	src     *volume.Source
	folders []string
	known   []state.Shoot
	closed  map[string]bool
	files   int
}

// plausible reads the top of the folder and says why it is not believed, if so:
// an empty folder where files were known, on another volume, is the mount point
// of a drive that is not plugged in.
func (s *scan) plausible(place drives.Place) (why string) {
	var before state.WorkingFolder
	err := s.t.d.ledger.View(func(tx *state.Tx) error {
		all, err := tx.Shoots()
		for _, shoot := range all {
			if shoot.ID.Working == s.t.name {
				s.known = append(s.known, shoot)
			}
		}
		if err != nil {
			return err
		}
		before, err = tx.WorkingFolder(s.t.name)
		return err
	})
	if err != nil {
		return err.Error()
	}
	s.folders, err = transfer.Folders(s.src, s.t.ignored)
	if err != nil {
		return whyAway(err)
	}
	now := replicate.FolderEvidence{Volume: place.Volume, Folder: place.Folder, Empty: !s.familiar()}
	return replicate.DoubtFolder(replicate.FolderEvidence{Volume: before.Volume, Folder: before.Folder, Empty: !slices.ContainsFunc(s.known, isHere)}, now)
}

// familiar reports whether the folder holds a shoot that is known.
func (s *scan) familiar() bool {
	return slices.ContainsFunc(s.known, func(k state.Shoot) bool {
		return isHere(k) && slices.Contains(s.folders, k.ID.Name)
	})
}

// isHere reports whether a shoot's folder was in the working folder. Loose files
// have none.
func isHere(k state.Shoot) bool {
	return k.ID.Name != replicate.LooseFiles && filesHere(k.Tally).Files > 0
}

func (s *scan) run(only []string) error {
	names := only
	if only == nil {
		names = append(slices.Clone(s.folders), replicate.LooseFiles)
		for _, k := range s.known {
			if !slices.Contains(names, k.ID.Name) {
				names = append(names, k.ID.Name)
			}
		}
	}
	for _, name := range names {
		if err := s.shoot(name); err != nil {
			return err
		}
	}
	return nil
}

// changes is what a scan found in one shoot.
type changes struct {
	shoot   replicate.ShootID
	archive bool // what is gone left with the whole shoot
	found   []replicate.Change
	at      time.Time
}

// shoot compares one shoot with the ledger. What is new is told at once, what
// is gone only after the walk ended and the folder was still the same.
func (s *scan) shoot(name string) error {
	id := replicate.ShootID{Working: s.t.name, Name: name}
	c := changes{shoot: id, archive: name != replicate.LooseFiles && !slices.Contains(s.folders, name)}
	var gone []replicate.Change
	var failed, broken error
	seen, err := s.walk(name, c.archive, &failed)
	if err != nil {
		return err
	}
	for change := range replicate.Diff(seen, s.t.d.ledger.Files(id, &broken)) {
		switch change.Kind {
		case replicate.Closed:
			s.closed[change.Seen.Path] = true
		case replicate.Gone:
			gone = append(gone, change)
		default:
			c.found = append(c.found, change)
		}
		if len(c.found) >= changeBatch && !s.tell(&c) {
			return s.ctx.Err()
		}
	}
	if err := errors.Join(broken, failed); err != nil {
		return err
	}
	if len(gone) > 0 && !c.archive && name != replicate.LooseFiles {
		_, err := s.src.Lstat(name)
		c.archive = errors.Is(err, fs.ErrNotExist) // it left while it was walked
	}
	if c.archive {
		gone = append(gone, s.leftBefore(id, &broken)...)
	}
	if err := s.src.Same(); err != nil {
		return err
	}
	c.found = append(c.found, gone...)
	if len(c.found) > 0 && !s.tell(&c) {
		return s.ctx.Err()
	}
	return nil
}

// leavingTime is how long a shoot may take to leave file by file, moved by hand
// or by a slow program, and still be one that left whole.
const leavingTime = 24 * time.Hour

// leftBefore are the files of a shoot that was let go of piece by piece, just
// before its folder went as well: they are archived with it.
func (s *scan) leftBefore(id replicate.ShootID, failed *error) (left []replicate.Change) {
	since := time.Now().Add(-leavingTime)
	for f := range s.t.d.ledger.Files(id, failed) {
		if f.Life == replicate.LetGo && f.GoneAt.After(since) {
			left = append(left, replicate.Change{Kind: replicate.Gone, File: f})
		}
	}
	return left
}

func (s *scan) tell(c *changes) bool {
	out := *c
	out.at = time.Now()
	c.found = nil
	return s.t.d.send(s.ctx, out)
}

// walk yields what a shoot holds, ordered by path.
func (s *scan) walk(name string, missing bool, failed *error) (iter.Seq[replicate.Seen], error) {
	switch {
	case missing:
		return func(func(replicate.Seen) bool) {}, nil
	case name != replicate.LooseFiles:
		return s.counting(transfer.Scan(s.ctx, s.src, name, s.t.ignored, failed)), nil
	}
	loose, err := transfer.ScanLoose(s.src, s.t.ignored)
	if err != nil {
		return nil, err
	}
	if slices.Contains(s.folders, name) { // a folder that is really called so
		loose = slices.AppendSeq(loose, transfer.Scan(s.ctx, s.src, name, s.t.ignored, failed))
		slices.SortFunc(loose, func(a, b replicate.Seen) int { return cmp.Compare(a.Path, b.Path) })
	}
	return s.counting(slices.Values(loose)), nil
}

func (s *scan) counting(seq iter.Seq[replicate.Seen]) iter.Seq[replicate.Seen] {
	return func(yield func(replicate.Seen) bool) {
		for seen := range seq {
			s.files++
			if !yield(seen) {
				return
			}
		}
	}
}
