package transfer

import (
	"context"
	"errors"
	"io/fs"
	"math/rand/v2"
	"os"
	"path/filepath"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	"copyhold/replicate"
	"copyhold/replicate/lists"
	"copyhold/replicate/volume"
	"copyhold/replicate/volume/volumetest/lab"
)

const shoot = "2026-03-02 Tern Island"

var taken = time.Date(2026, 3, 2, 9, 30, 15, 123456789, time.UTC) // when the pictures were

// world is a working folder and drives, all real, and what was told of a copy.
type world struct {
	t       testing.TB
	dir     string // of the working folder
	src     *tapped
	targets []Target
	engine  Engine
	orders  map[string]Order // by path, for every drive
	dones   atomic.Int32

	mu      sync.Mutex
	results map[replicate.DriveNo]map[string]Result
}

func newWorld(t testing.TB) *world {
	w := &world{t: t, dir: t.TempDir(), orders: map[string]Order{}}
	src, err := volume.OpenSource(w.dir)
	check(t, err)
	t.Cleanup(func() { src.Close() })
	w.src = &tapped{Source: src, bytes: map[string]int64{}}
	w.engine.Result = func(r Result) {
		w.mu.Lock()
		defer w.mu.Unlock()
		if _, twice := w.results[r.Drive][r.File.Path]; twice {
			t.Errorf("a second result: %+v", r)
		}
		w.results[r.Drive][r.File.Path] = r
	}
	return w
}

// drive adds a prepared drive in a folder of the system, seen through a hooked volume.
func (w *world) drive(dir string) *hooked {
	w.t.Helper()
	d, err := volume.OpenDrive(dir)
	check(w.t, err)
	w.t.Cleanup(func() { d.Close() })
	check(w.t, Prepare(d))
	traits, err := Probe(d)
	check(w.t, err)
	h := &hooked{Volume: d, dir: dir}
	w.targets = append(w.targets, Target{Drive: replicate.DriveNo(len(w.targets) + 1), Volume: h, Traits: traits})
	return h
}

// folderWorld is a world with one drive in a temporary folder.
func folderWorld(t testing.TB) (*world, *hooked) {
	w := newWorld(t)
	return w, w.drive(t.TempDir())
}

// onDrives runs a test with one drive of every kind that has room for a copy.
func onDrives(t *testing.T, test func(t *testing.T, w *world, h *hooked, d *lab.Drive)) {
	for _, kind := range lab.Kinds() {
		t.Run(string(kind), func(t *testing.T) {
			t.Parallel()
			d := lab.New(t).Drive(kind, 256)
			w := newWorld(t)
			test(t, w, w.drive(d.Plug()), d)
		})
	}
}

// back plugs a drive in again and holds it. xfs refuses that for as long as something
// of the drive that was torn out is still alive.
func back(t testing.TB, d *lab.Drive) *volume.Drive {
	t.Helper()
	for end := time.Now().Add(3 * time.Second); ; time.Sleep(10 * time.Millisecond) {
		err := d.TryPlugAt(d.Path())
		if err == nil {
			break
		}
		if time.Now().After(end) {
			t.Fatal(err)
		}
	}
	v, err := volume.OpenDrive(d.Path())
	check(t, err)
	t.Cleanup(func() { v.Close() })
	return v
}

// put writes a file of the shoot.
func (w *world) put(name string, content []byte) {
	w.t.Helper()
	write(w.t, filepath.Join(w.dir, shoot, name), content)
	check(w.t, os.Chtimes(filepath.Join(w.dir, shoot, name), taken, taken))
}

func write(t testing.TB, path string, content []byte) {
	t.Helper()
	check(t, os.MkdirAll(filepath.Dir(path), 0o755))
	check(t, os.WriteFile(path, content, 0o644))
}

// tasks are all files of the working folder, as a scan finds them, for all drives.
func (w *world) tasks() []Task {
	w.t.Helper()
	var failed error
	var tasks []Task
	for seen := range Scan(context.Background(), w.src, shoot, ignoreNothing, &failed) {
		if seen.What != replicate.Regular {
			continue
		}
		t := Task{
			File: replicate.File{FileID: replicate.FileID{Working: "Shoots", Path: seen.Path}, Stat: seen.Stat},
			To:   map[replicate.DriveNo]Order{},
		}
		for _, d := range w.targets {
			t.To[d.Drive] = w.orders[seen.Path]
		}
		tasks = append(tasks, t)
	}
	check(w.t, failed)
	return tasks
}

func ignoreNothing(string, bool) bool { return false }

// copy copies everything and returns the results of the first drive, by the name
// inside the shoot.
func (w *world) copy() map[string]Result { return w.copyThese(context.Background(), w.tasks()) }

func (w *world) copyThese(ctx context.Context, tasks []Task) map[string]Result {
	w.results = map[replicate.DriveNo]map[string]Result{}
	for _, d := range w.targets {
		w.results[d.Drive] = map[string]Result{}
	}
	w.dones.Store(0)
	w.engine.Copy(ctx, w.src, tasks, w.targets, func(replicate.DriveNo) { w.dones.Add(1) })
	if int(w.dones.Load()) != len(w.targets) {
		w.t.Errorf("%d of %d drives are done", w.dones.Load(), len(w.targets))
	}
	return w.of(1)
}

func (w *world) of(no replicate.DriveNo) map[string]Result {
	byName := map[string]Result{}
	for path, r := range w.results[no] {
		byName[path[len(shoot)+1:]] = r
	}
	return byName
}

// stored is the place of a file of the shoot on a drive.
func (h *hooked) stored(name string) string { return filepath.Join(h.dir, "Shoots", shoot, name) }

// keeps checks that the drive has content under the name.
func (h *hooked) keeps(t testing.TB, name string, want []byte) {
	t.Helper()
	got, err := os.ReadFile(h.stored(name))
	check(t, err)
	if string(got) != string(want) {
		t.Errorf("%s: %d bytes on the drive, not the %d wanted", name, len(got), len(want))
	}
}

func (h *hooked) lacks(t testing.TB, name string) {
	t.Helper()
	if _, err := os.Lstat(h.stored(name)); !errors.Is(err, fs.ErrNotExist) {
		t.Errorf("%s is on the drive (%v)", name, err)
	}
}

// tidy checks that no partial is left.
func (h *hooked) tidy(t testing.TB) {
	t.Helper()
	left, err := os.ReadDir(filepath.Join(h.dir, lists.PartialDir))
	check(t, err)
	if len(left) > 0 {
		t.Errorf("%d partials are left, %v the first", len(left), left[0])
	}
}

// verified fails the test unless the copy succeeded.
func verified(t testing.TB, r Result) {
	t.Helper()
	if r.Err != nil || !r.Digest.Known() || r.At.IsZero() {
		t.Errorf("not verified: %+v", r)
	}
}

func failed(t testing.TB, r Result, want replicate.Cause) {
	t.Helper()
	if r.Err == nil || r.Cause != want {
		t.Errorf("%q: cause %q (%v), want %q", r.File.Path, r.Cause, r.Err, want)
	}
}

// hooked is a drive whose calls ask first. The hook may fail the call, wait, or
// write down that it was made.
type hooked struct {
	volume.Volume
	dir  string
	hook func(op, name string) error
}

func (h *hooked) ask(op, name string) error {
	if h.hook == nil {
		return nil
	}
	return h.hook(op, name)
}

func (h *hooked) Create(name string) (volume.Sink, error) {
	if err := h.ask("create", name); err != nil {
		return nil, err
	}
	s, err := h.Volume.Create(name)
	if err != nil {
		return nil, err
	}
	return &hookedSink{Sink: s, on: h, name: name}, nil
}

func (h *hooked) OpenPastCache(name string) (volume.File, error) {
	f, err := h.Volume.OpenPastCache(name)
	if err != nil {
		return nil, err
	}
	return &hookedFile{File: f, on: h, name: name}, nil
}

func (h *hooked) Rename(from, to string) error {
	if err := h.ask("rename", to); err != nil {
		return err
	}
	return h.Volume.Rename(from, to)
}

func (h *hooked) Replace(from, to string) error {
	if err := h.ask("replace", to); err != nil {
		return err
	}
	return h.Volume.Replace(from, to)
}

func (h *hooked) SyncFile(name string) error {
	if err := h.ask("sync file", name); err != nil {
		return err
	}
	return h.Volume.SyncFile(name)
}

func (h *hooked) SyncDir(name string) error {
	if err := h.ask("sync folder", name); err != nil {
		return err
	}
	return h.Volume.SyncDir(name)
}

func (h *hooked) Remove(name string) error {
	if err := h.ask("remove", name); err != nil {
		return err
	}
	return h.Volume.Remove(name)
}

type hookedSink struct {
	volume.Sink
	on   *hooked
	name string
}

func (s *hookedSink) Write(p []byte) (int, error) {
	if err := s.on.ask("write", s.name); err != nil {
		return 0, err
	}
	return s.Sink.Write(p)
}

func (s *hookedSink) Sync() error {
	if err := s.on.ask("sync", s.name); err != nil {
		return err
	}
	return s.Sink.Sync()
}

type hookedFile struct {
	volume.File
	on   *hooked
	name string
}

// errFlip makes a hook turn a byte round instead of failing the read.
var errFlip = errors.New("flip a byte")

func (f *hookedFile) Read(p []byte) (int, error) {
	err := f.on.ask("read", f.name)
	if err != nil && err != errFlip {
		return 0, err
	}
	n, readErr := f.File.Read(p)
	if err == errFlip && n > 0 {
		p[n/2] ^= 1
	}
	return n, readErr
}

// tapped is a source that counts what is read of it and may be disturbed.
type tapped struct {
	*volume.Source
	hook  func(op, name string, at int64) error // "open" or "read"
	mu    sync.Mutex
	bytes map[string]int64
	opens int
}

func (s *tapped) Open(name string) (volume.File, error) {
	s.mu.Lock()
	s.opens++
	s.mu.Unlock()
	if s.hook != nil {
		if err := s.hook("open", name, 0); err != nil {
			return nil, err
		}
	}
	f, err := s.Source.Open(name)
	if err != nil {
		return nil, err
	}
	return &tappedFile{File: f, of: s, name: name}, nil
}

type tappedFile struct {
	volume.File
	of   *tapped
	name string
	at   int64
}

func (f *tappedFile) Read(p []byte) (int, error) {
	n, err := f.read(f.at, func() (int, error) { return f.File.Read(p) })
	f.at += int64(n)
	return n, err
}

func (f *tappedFile) ReadAt(p []byte, off int64) (int, error) {
	return f.read(off, func() (int, error) { return f.File.ReadAt(p, off) })
}

func (f *tappedFile) read(at int64, do func() (int, error)) (int, error) {
	if f.of.hook != nil {
		if err := f.of.hook("read", f.name, at); err != nil {
			return 0, err
		}
	}
	n, err := do()
	f.of.mu.Lock()
	f.of.bytes[f.name] += int64(n)
	f.of.mu.Unlock()
	return n, err
}

func check(t testing.TB, err error) {
	t.Helper()
	if err != nil {
		t.Fatal(err)
	}
}

// random is content that is on no disk twice.
func random(size int, seed byte) []byte {
	b := make([]byte, size)
	rand.NewChaCha8([32]byte{seed}).Read(b)
	return b
}
