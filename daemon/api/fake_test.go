package api

import (
	"context"
	"fmt"
	"time"
)

// fake answers every question with something that names the question.
type fake struct {
	err  error                       // if set, the answer to everything
	wait func(context.Context) error // if set, comes before every answer
}

func (f fake) ready(ctx context.Context) error {
	if f.wait != nil {
		if err := f.wait(ctx); err != nil {
			return err
		}
	}
	return f.err
}

var day = time.Date(2026, 3, 2, 18, 45, 12, 345_000_000, time.UTC)

func (f fake) status(ctx context.Context, code string) (Status, error) {
	trouble := "full"
	return Status{
		Schema:  Schema,
		Daemon:  Daemon{Running: true, Since: &day, Version: "1.2.3", Paused: true},
		Working: []Working{{Name: "Shoots", Path: "/work/Shoots", Online: true, Settling: 2, Files: 640, Bytes: 1 << 40}},
		Drives:  []Drive{{ID: "d1", Name: "Slate", Place: "home", LastSeen: day, Trouble: &trouble, SharesWith: []string{}}},
		Shoots:  []Shoot{{Working: "Shoots", Name: "2026-03-02 Tern Island", Standing: "one copy", Since: day, On: []string{"Slate"}}},
		Notices: []Notice{{Code: code, Severity: "critical", Text: "<b>&", Since: day}},
	}, f.ready(ctx)
}

func (f fake) Status(ctx context.Context) (Status, error) { return f.status(ctx, "status") }
func (f fake) Resume(ctx context.Context) (Status, error) { return f.status(ctx, "resume") }

func (f fake) Pause(ctx context.Context, p Pause) (Status, error) {
	return f.status(ctx, fmt.Sprintf("%+v", p))
}

func (f fake) Shoots(ctx context.Context, pattern string) (Shoots, error) {
	return Shoots{Schema: Schema, Shoots: []ShootDetail{{Shoot: Shoot{Name: pattern}}}}, f.ready(ctx)
}

func (f fake) Shoot(ctx context.Context, name string) (ShootDetail, error) {
	return ShootDetail{
		Schema:  Schema,
		Shoot:   Shoot{Name: name, Copies: 2, On: []string{"Slate", "Red"}},
		Shares:  []Share{{Drive: "Slate", Verified: day, Refused: []Refused{{Files: 3, Cause: "name"}}}},
		Folders: []FolderShare{{Folder: "A-cam", Held: []int64{1, 0}}},
	}, f.ready(ctx)
}

func (f fake) Where(ctx context.Context, pattern string) (Where, error) {
	return Where{Schema: Schema, Files: []FilePath{{Path: pattern, At: []Location{{Drive: "Slate", LastSeen: day}}}}, More: 7}, f.ready(ctx)
}

func (f fake) Explain(ctx context.Context, path string) (Explanation, error) {
	return Explanation{Schema: Schema, Path: path, Drives: []Decision{{Drive: "Slate", Action: "wait (drive away)"}}}, f.ready(ctx)
}

func (f fake) Drives(ctx context.Context) (Drives, error) {
	return Drives{Schema: Schema, Drives: []Drive{{Name: "Slate"}}}, f.ready(ctx)
}

func (f fake) AddDrive(ctx context.Context, add AddDrive) (Drive, error) {
	return Drive{Path: fmt.Sprintf("%+v", add)}, f.ready(ctx)
}

func (f fake) ChangeDrive(ctx context.Context, change ChangeDrive) (Drive, error) {
	return Drive{Path: fmt.Sprintf("%+v", change)}, f.ready(ctx)
}

func (f fake) ReleaseDrive(ctx context.Context, release ReleaseDrive) (Drive, error) {
	return Drive{Path: fmt.Sprintf("%+v", release), Released: true}, f.ready(ctx)
}

// hub is a live source with one subscriber.
type hub struct {
	changes chan Status
	left    chan struct{} // closed when the subscriber has left
}

func newHub() hub { return hub{changes: make(chan Status), left: make(chan struct{})} }

func (h hub) live() (<-chan Status, func()) { return h.changes, func() { close(h.left) } }

func noLive() (<-chan Status, func()) { return nil, func() {} }
