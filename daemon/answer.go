package daemon

import (
	"cmp"
	"fmt"
	"path/filepath"
	"slices"
	"strings"
	"time"

	"copyhold/daemon/api"
	"copyhold/replicate"
)

// view is the world at one moment, for answering questions outside the loop.
// Without a daemon it is drawn from the ledger alone.
type view struct {
	now      time.Time
	daemon   api.Daemon
	policy   replicate.Policy
	workings []workingView
	drives   []driveView
	shoots   []shootState // by working folder and name
	fleet    replicate.Fleet
	notices  []replicate.Notice
	scene    func(f replicate.FileID, no replicate.DriveNo) replicate.Scene
}

type workingView struct {
	name, path       string
	online, scanning bool
	settling         int
}

type driveView struct {
	replicate.Drive
	present bool
	path    string
	trouble string
	reading reading
	idle    bool
	free    bool // released
	flushed bool
	lists   int // lists that are not written yet
}

// viewOf draws the view of a world.
func viewOf(w *world, now time.Time) view {
	v := view{now: now, policy: w.policy, fleet: w.fleet, notices: w.notices(now)}
	for _, s := range w.workings {
		v.workings = append(v.workings, workingView{name: s.name, path: s.path, online: s.online, scanning: s.scanning, settling: w.settling.Len()})
	}
	scenes := map[string]replicate.Scene{}
	for _, s := range w.drives {
		d := driveView{Drive: s.Drive, present: s.present && s.doubt == "", path: cmp.Or(s.path, s.LastPath), reading: s.meter.read(), idle: s.job == nil, free: s.released, flushed: s.flushed, lists: len(s.unlisted)}
		switch {
		case s.doubt != "":
			d.trouble = s.doubt
		case s.trouble != replicate.NoCause:
			d.trouble = s.trouble.String()
		}
		v.drives = append(v.drives, d)
		for _, at := range w.workings {
			scenes[fmt.Sprint(at.name, "\x00", s.No)] = w.scene(at.name, s, now)
		}
	}
	v.scene = func(f replicate.FileID, no replicate.DriveNo) replicate.Scene {
		return scenes[fmt.Sprint(f.Working, "\x00", no)]
	}
	for _, s := range w.shoots {
		v.shoots = append(v.shoots, *s)
	}
	slices.SortFunc(v.shoots, func(a, b shootState) int {
		return cmp.Or(cmp.Compare(a.ID.Working, b.ID.Working), cmp.Compare(a.ID.Name, b.ID.Name))
	})
	return v
}

func (d *Daemon) view(now time.Time) view {
	v := viewOf(d.world, now)
	since := d.since
	v.daemon = api.Daemon{Running: true, Since: &since, Version: d.opt.Version, Paused: d.world.isPaused(now)}
	if v.daemon.Paused && !d.world.pausedUntil.IsZero() {
		until := d.world.pausedUntil
		v.daemon.PausedUntil = &until
	}
	return v
}

// status answers "how do things stand".
func (v view) status() api.Status {
	s := api.Status{
		Schema: api.Schema, Daemon: v.daemon,
		Working: []api.Working{}, Drives: v.driveList(), Shoots: []api.Shoot{}, Notices: []api.Notice{},
	}
	for _, w := range v.workings {
		here := replicate.Sum{}
		for _, shoot := range v.shoots {
			if shoot.ID.Working == w.name {
				here = here.Add(filesHere(shoot.Tally))
			}
		}
		s.Working = append(s.Working, api.Working{
			Name: w.name, Path: w.path, Online: w.online, Scanning: w.scanning, Settling: w.settling,
			Files: here.Files, Bytes: here.Bytes,
		})
	}
	for _, shoot := range v.shoots {
		if shoot.cover.Counted.Files > 0 {
			s.Shoots = append(s.Shoots, v.shoot(shoot))
		}
	}
	for _, n := range v.notices {
		s.Notices = append(s.Notices, api.Notice{
			Code: string(n.Code), Severity: n.Severity.String(), About: n.About,
			Text: n.Text, Safe: n.Safe, Do: n.Do, Since: n.Since,
		})
	}
	return s
}

func filesHere(t replicate.Tally) (here replicate.Sum) {
	for g, sum := range t.Groups() {
		if g.Life == replicate.Here {
			here = here.Add(sum)
		}
	}
	return here
}

func (v view) driveList() []api.Drive {
	all := []api.Drive{}
	for _, d := range v.drives {
		all = append(all, v.drive(d))
	}
	return all
}

func (v view) drive(d driveView) api.Drive {
	out := api.Drive{
		ID: string(d.ID), Name: d.Name, Place: string(d.Place), Online: d.present, Path: d.path,
		FreeBytes: d.Room.Free, SizeBytes: d.Room.Size, LastSeen: d.LastSeen, Retired: !d.InUse(),
		SharesWith: v.sharesWith(d.Drive),
	}
	if d.present {
		out.LastSeen = v.now
	}
	for _, s := range v.shoots {
		share := s.cover.Drives[d.No]
		out.Copies += share.Held.Files
		out.CopiesBytes += share.Held.Bytes
		out.WantedFiles += share.Wanted.Files
		out.WantedBytes += share.Wanted.Bytes
		out.Damaged += share.Damaged.Files
		if !share.Verified.IsZero() && (out.LastVerified.IsZero() || share.Verified.Before(out.LastVerified)) {
			out.LastVerified = share.Verified
		}
	}
	if d.trouble != "" {
		out.Trouble = &d.trouble
	}
	out.Activity = activityOf(d.reading, out.WantedBytes)
	out.Released = d.present && d.free
	out.SafeToUnplug = d.present && d.idle && d.lists == 0 && (d.flushed || !d.free && !v.willCopy(d))
	return out
}

// willCopy reports whether a drive that is idle now takes files in a moment.
func (v view) willCopy(d driveView) bool {
	if v.daemon.Paused {
		return false
	}
	for _, s := range v.shoots {
		share := s.cover.Drives[d.No]
		open := share.Wanted.Files
		for _, sum := range share.Refused {
			open -= sum.Files
		}
		scene := v.scene(replicate.FileID{Working: s.ID.Working}, d.No)
		if open > s.cover.Unread.Files && !s.cover.Archived && scene.Working && !scene.Troubled {
			return true
		}
	}
	return false
}

func activityOf(r reading, wanted int64) api.Activity {
	if !r.active {
		return api.Activity{Doing: "idle"}
	}
	a := api.Activity{Doing: "copy", Path: r.file.String(), DoneBytes: r.done, TotalBytes: r.total, BytesPerSecond: r.rate}
	if r.file == (replicate.FileID{}) {
		a.Path = ""
	}
	if r.verifying {
		a.Doing = "verify"
	}
	if r.rate > 0 {
		a.ETASeconds = wanted / r.rate
	}
	return a
}

// sharesWith names what counts as one device with the drive (P8).
func (v view) sharesWith(d replicate.Drive) []string {
	names := []string{}
	for _, w := range v.workings {
		if v.fleet.SharesDevice(d, w.name) {
			names = append(names, w.name)
		}
	}
	for _, other := range v.drives {
		if other.ID != d.ID && v.fleet.SameDevice(d, other.Drive) {
			names = append(names, other.Name)
		}
	}
	return names
}

func (v view) shoot(s shootState) api.Shoot {
	out := api.Shoot{
		Working: s.ID.Working, Name: s.ID.Name, Files: s.cover.Counted.Files, Bytes: s.cover.Counted.Bytes,
		Copies: s.cover.Copies, OffSite: s.cover.OffSite, Standing: s.cover.Standing.String(),
		Archived: s.cover.Archived, Since: s.Since, On: []string{},
	}
	for _, d := range v.drives {
		if share := s.cover.Drives[d.No]; d.InUse() && share.Held.Files > 0 && share.Wanted.Files == 0 {
			out.On = append(out.On, d.Name)
		}
	}
	return out
}

// detail is a shoot with every drive's share.
func (v view) detail(s shootState) api.ShootDetail {
	out := api.ShootDetail{
		Shoot: v.shoot(s), LetGo: s.cover.LetGo.Files, Skipped: s.cover.Skipped.Files, Unread: s.cover.Unread.Files,
		Shares: []api.Share{}, Missing: replicate.Lacks(s.cover, v.policy),
	}
	for _, d := range v.drives {
		if d.InUse() {
			out.Shares = append(out.Shares, v.share(d, s.cover.Drives[d.No]))
		}
	}
	return out
}

func (v view) share(d driveView, share replicate.Share) api.Share {
	out := api.Share{
		Drive: d.Name, Place: string(d.Place), Online: d.present, LastSeen: d.LastSeen,
		Files: share.Held.Files, Bytes: share.Held.Bytes, WantedFiles: share.Wanted.Files, WantedBytes: share.Wanted.Bytes,
		Damaged: share.Damaged.Files, Verified: share.Verified, Refused: []api.Refused{},
	}
	if d.present {
		out.LastSeen = v.now
	}
	for _, cause := range replicate.Causes() {
		if sum, there := share.Refused[cause]; there {
			out.Refused = append(out.Refused, api.Refused{Files: sum.Files, Cause: cause.String()})
		}
	}
	return out
}

// matching are the shoots that a pattern names: words that all occur in the
// name, in any case, or a pattern with * and ?.
func (v view) matching(pattern string) []shootState {
	var all []shootState
	for _, s := range v.shoots {
		if matches(pattern, s.ID.Name) {
			all = append(all, s)
		}
	}
	return all
}

// named is the one shoot that a person means: by its exact name, with or
// without the working folder, else by the only match.
func (v view) named(name string) (shootState, error) {
	for _, s := range v.shoots {
		if s.ID.Name == name || s.ID.String() == name {
			return s, nil
		}
	}
	found := v.matching(name)
	switch len(found) {
	case 1:
		return found[0], nil
	case 0:
		return shootState{}, &api.Fault{
			What: fmt.Sprintf("no shoot is called %q", name), Do: "see their names: copyhold shoots", Misuse: true,
		}
	default:
		names := make([]string, len(found))
		for i, s := range found {
			names[i] = fmt.Sprintf("%q", s.ID.Name)
		}
		return shootState{}, &api.Fault{
			What: fmt.Sprintf("%q matches %d shoots: %s", name, len(found), strings.Join(names[:min(len(names), 5)], ", ")),
			Do:   "give more of the name", Misuse: true,
		}
	}
}

// fileNamed is the file that a path means: inside a working folder, or
// absolute, on the working drive or on a drive.
func (v view) fileNamed(path string) (replicate.FileID, error) {
	for _, w := range v.workings {
		if rel, inside := below(w.path, path); inside {
			return replicate.FileID{Working: w.name, Path: rel}, nil
		}
	}
	for _, d := range v.drives {
		rel, inside := below(d.path, path)
		if !inside {
			continue
		}
		folder, rest, _ := strings.Cut(rel, "/")
		return replicate.FileID{Working: replicate.OwnPath(folder, d.Traits), Path: replicate.OwnPath(rest, d.Traits)}, nil
	}
	if filepath.IsAbs(path) {
		return replicate.FileID{}, &api.Fault{
			What: fmt.Sprintf("%s is in no working folder and on no drive that is known", path),
			Do:   "see them: copyhold status", Misuse: true,
		}
	}
	path = filepath.ToSlash(path)
	if working, rest, cut := strings.Cut(path, "/"); cut && v.hasWorking(working) {
		return replicate.FileID{Working: working, Path: rest}, nil
	}
	if len(v.workings) == 0 {
		return replicate.FileID{}, &api.Fault{What: "no working folder is configured"}
	}
	return replicate.FileID{Working: v.workings[0].name, Path: path}, nil
}

func (v view) hasWorking(name string) bool {
	return slices.ContainsFunc(v.workings, func(w workingView) bool { return w.name == name })
}

// below is the slash-separated path of name inside folder.
func below(folder, name string) (string, bool) {
	rel, err := filepath.Rel(folder, name)
	if folder == "" || err != nil || rel == "." || rel == ".." || strings.HasPrefix(rel, ".."+string(filepath.Separator)) {
		return "", false
	}
	return filepath.ToSlash(rel), true
}
