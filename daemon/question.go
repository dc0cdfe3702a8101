package daemon

import (
	"cmp"
	"maps"
	"path/filepath"
	"slices"
	"strings"

	"copyhold/daemon/api"
	"copyhold/replicate"
	"copyhold/state"
)

// The questions that need the files themselves: asked of a view and a
// transaction, by the daemon and without it alike.

// whereLimit is how many matching files are listed; the rest is counted.
const whereLimit = 200

// shootDetail answers "show me this shoot", folder by folder.
func shootDetail(v view, tx *state.Tx, name string) (api.ShootDetail, error) {
	s, err := v.named(name)
	if err != nil {
		return api.ShootDetail{}, err
	}
	out := v.detail(s)
	out.Schema = api.Schema
	folders := map[string]*api.FolderShare{}
	var failed error
	for f := range tx.Files(s.ID, "", &failed) {
		if !f.Life.Counted() {
			continue
		}
		v.addToFolder(folders, f)
	}
	for _, name := range slices.Sorted(maps.Keys(folders)) {
		out.Folders = append(out.Folders, *folders[name])
	}
	return out, failed
}

// addToFolder counts a file in the folder directly below the shoot.
func (v view) addToFolder(folders map[string]*api.FolderShare, f *replicate.File) {
	name, _, inside := strings.Cut(f.InShoot(), "/")
	if !inside {
		name = ""
	}
	folder := folders[name]
	if folder == nil {
		folder = &api.FolderShare{Folder: name}
		folders[name] = folder
		for range v.drivesInUse() {
			folder.Held = append(folder.Held, 0)
		}
	}
	folder.Files++
	folder.Bytes += f.Size
	for i, d := range v.drivesInUse() {
		if f.Holds(f.CopyOn(d.No)) {
			folder.Held[i]++
		}
	}
}

func (v view) drivesInUse() []driveView {
	return slices.DeleteFunc(slices.Clone(v.drives), func(d driveView) bool { return !d.InUse() })
}

// where answers "where is that footage": shoots first, then files.
func where(v view, tx *state.Tx, pattern string) (api.Where, error) {
	out := api.Where{Schema: api.Schema, Shoots: []api.ShootPath{}, Files: []api.FilePath{}}
	for _, s := range v.matching(pattern) {
		out.Shoots = append(out.Shoots, v.shootPath(s))
	}
	if strings.TrimSpace(pattern) == "" {
		return out, nil
	}
	for _, s := range v.shoots {
		if matches(pattern, s.ID.Name) {
			continue // the whole shoot is listed already
		}
		if err := v.addFiles(&out, tx, s.ID, pattern); err != nil {
			return out, err
		}
	}
	return out, nil
}

func (v view) addFiles(out *api.Where, tx *state.Tx, id replicate.ShootID, pattern string) error {
	var failed error
	for f := range tx.Files(id, "", &failed) {
		switch {
		case f.Life == replicate.Skipped || !matches(pattern, f.Path):
		case len(out.Files) >= whereLimit:
			out.More++
		default:
			out.Files = append(out.Files, v.filePath(f))
		}
	}
	return failed
}

func (v view) shootPath(s shootState) api.ShootPath {
	out := api.ShootPath{Working: s.ID.Working, Shoot: s.ID.Name, Files: s.cover.Counted.Files, At: []api.Location{}}
	folder := s.ID.Name
	if folder == replicate.LooseFiles {
		folder = ""
	}
	if here := filesHere(s.Tally); here.Files > 0 {
		out.At = append(out.At, v.onWorking(s.ID.Working, folder, here.Files))
	}
	for _, d := range v.drivesInUse() {
		share := s.cover.Drives[d.No]
		if share.Held.Files == 0 {
			continue
		}
		stored, _ := replicate.StoredPath(folder, d.Traits)
		at := v.onDrive(d, s.ID.Working, stored)
		at.Files, at.Verified = share.Held.Files, share.Verified
		out.At = append(out.At, at)
	}
	return out
}

func (v view) filePath(f *replicate.File) api.FilePath {
	out := api.FilePath{Working: f.Working, Path: f.Path, Bytes: f.Size, At: []api.Location{}}
	if f.Life == replicate.Here {
		out.At = append(out.At, v.onWorking(f.Working, f.Path, 1))
	}
	for _, d := range v.drivesInUse() {
		c := f.CopyOn(d.No)
		if c.State != replicate.Verified {
			continue
		}
		at := v.onDrive(d, f.Working, cmp.Or(c.StoredAs, f.Path))
		at.Files = 1
		if f.Holds(c) {
			at.Verified = c.VerifiedAt
		}
		out.At = append(out.At, at)
	}
	return out
}

func (v view) onWorking(working, path string, files int64) api.Location {
	at := api.Location{Files: files}
	for _, w := range v.workings {
		if w.name == working {
			at.Path, at.Online = filepath.Join(w.path, filepath.FromSlash(path)), w.online
		}
	}
	return at
}

func (v view) onDrive(d driveView, working, stored string) api.Location {
	at := api.Location{
		Drive: d.Name, Place: string(d.Place), Online: d.present, LastSeen: d.LastSeen,
		Path: filepath.Join(d.path, d.Folder(working), filepath.FromSlash(stored)),
	}
	if d.present {
		at.LastSeen = v.now
	}
	return at
}

// explain answers "what is decided for this file, and why".
func explain(v view, tx *state.Tx, path string) (api.Explanation, error) {
	id, err := v.fileNamed(path)
	if err != nil {
		return api.Explanation{}, err
	}
	out := api.Explanation{Schema: api.Schema, Working: id.Working, Path: id.Path, Drives: []api.Decision{}}
	f, err := tx.File(id)
	if err != nil {
		return out, err
	}
	if f == nil {
		out.Note = "the ledger has not met this file: it may still be settling, be ignored by a pattern, or not exist"
		return out, nil
	}
	out.Known, out.Bytes, out.Modified, out.Life = true, f.Size, f.MTime, f.Life.String()
	if f.Digest.Known() {
		out.Digest = f.Digest.String()
	}
	if f.Attempt.Cause != replicate.NoCause {
		out.Note = "it " + f.Attempt.Cause.String()
	}
	for _, d := range v.drivesInUse() {
		out.Drives = append(out.Drives, v.decision(f, d))
	}
	return out, nil
}

func (v view) decision(f *replicate.File, d driveView) api.Decision {
	a := replicate.Next(f, d.Drive, v.scene(f.FileID, d.No), v.now)
	c := f.CopyOn(d.No)
	out := api.Decision{Drive: d.Name, Action: a.String(), Until: a.Until, StoredAs: c.StoredAs}
	if c.Attempt.Cause != replicate.NoCause && a.Cause == replicate.NoCause {
		out.Action += "; the last try: " + c.Attempt.Cause.String()
	}
	if f.Holds(c) {
		out.Verified = c.VerifiedAt
	}
	return out
}

// shootsAnswer is the table of shoots.
func shootsAnswer(v view, pattern string) api.Shoots {
	out := api.Shoots{Schema: api.Schema, Shoots: []api.ShootDetail{}}
	for _, s := range v.matching(pattern) {
		if s.cover.Counted.Files > 0 {
			out.Shoots = append(out.Shoots, v.detail(s))
		}
	}
	return out
}
