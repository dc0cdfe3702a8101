package demo

import (
	"bufio"
	"bytes"
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"path"
	"path/filepath"
	"strings"
	"time"

	"copyhold/cmd/copyhold/demo/media"
)

// nightCount is the shoot of the second night.
const nightCount = "2026-03-03 Night Count"

// The seeds of the demo's media: the same day is played every time.
const (
	daySeed   = 20260302
	nightSeed = 20260303
)

// nightFiles lists the recordings of a count in the dark.
func nightFiles(scale media.Scale) []media.File {
	midnight := time.Date(2026, 3, 3, 0, 12, 40, 0, time.FixedZone("", -2*60*60))
	var all []media.File
	for i := range 4 {
		seed := uint64(nightSeed + i)
		all = append(all, media.File{
			Rel:  fmt.Sprintf("%s/Sound/SOUND%03d.WAV", nightCount, i+5),
			Kind: media.KindSound, Taken: midnight.Add(time.Duration(i) * 11 * time.Minute),
			Write: func(w io.Writer) error { return media.Sound(w, 20*float64(scale), seed) },
		})
	}
	return append(all, media.File{
		Rel:  nightCount + "/Seabird II/SB2_0004.AVI",
		Kind: media.KindClip, Taken: midnight.Add(50 * time.Minute),
		Write: func(w io.Writer) error { return media.Clip(w, int64(30e6*scale), nightSeed) },
	})
}

// haul is what an offload brought.
type haul struct {
	files, bytes int64
	began, ended time.Time
}

func (h haul) took() time.Duration { return h.ended.Sub(h.began) }

// offload writes files as a person copies a card: one after the other, under
// their final names, with the dates of the camera.
func (s *stage) offload(ctx context.Context, files []media.File) (haul, error) {
	h := haul{began: time.Now()}
	for _, f := range files {
		n, err := s.write(ctx, f)
		if err != nil {
			return h, fmt.Errorf("offload %s: %w", f.Rel, err)
		}
		h.files, h.bytes = h.files+1, h.bytes+n
	}
	h.ended = time.Now()
	return h, nil
}

func (s *stage) write(ctx context.Context, f media.File) (int64, error) {
	to := &target{ctx: ctx, name: s.working(f.Rel)}
	steady := bufio.NewWriterSize(to, 1<<20)
	if err := errors.Join(f.Write(steady), steady.Flush(), to.close()); err != nil {
		return to.n, err
	}
	return to.n, os.Chtimes(to.name, f.Taken, f.Taken)
}

// target is a file being offloaded. It comes to be with its first piece: a clip's
// pictures take a while to paint, and an empty file that rests meanwhile would be
// taken for a finished one. It grows no further once its context ended.
type target struct {
	ctx  context.Context
	name string
	file *os.File
	n    int64
}

func (t *target) Write(p []byte) (n int, err error) {
	if err := t.ctx.Err(); err != nil {
		return 0, err
	}
	if t.file == nil {
		if err := os.MkdirAll(filepath.Dir(t.name), 0o755); err != nil {
			return 0, err
		}
		if t.file, err = os.Create(t.name); err != nil {
			return 0, err
		}
	}
	n, err = t.file.Write(p)
	t.n += int64(n)
	return n, err
}

func (t *target) close() error {
	if t.file == nil {
		return nil
	}
	return t.file.Close()
}

// working is where a file of a shoot lies in the working folder.
func (s *stage) working(rel string) string { return s.at(workingName, filepath.FromSlash(rel)) }

// onDrive is where a drive that is plugged in holds it.
func (s *stage) onDrive(drive, rel string) string {
	return s.at(drive, workingName, filepath.FromSlash(rel))
}

// cast is the files that something happens to later in the day.
type cast struct {
	edited  media.File // a sidecar
	deleted media.File // a still
	rotten  media.File // a clip
}

func castOf(files []media.File) (c cast, err error) {
	for _, f := range files {
		if !strings.HasPrefix(f.Rel, media.TernIsland+"/") {
			continue
		}
		switch {
		case f.Kind == media.KindSidecar && c.edited.Write == nil:
			c.edited = f
		case f.Kind == media.KindStill:
			c.deleted = f // the last one
		case f.Kind == media.KindClip && f.Size > c.rotten.Size:
			c.rotten = f
		}
	}
	if c.edited.Write == nil || c.deleted.Write == nil || c.rotten.Write == nil {
		return c, errors.New("the day lacks a sidecar, a still or a clip")
	}
	return c, nil
}

// content is what a file held when it was offloaded.
func content(f media.File) ([]byte, error) {
	var b bytes.Buffer
	err := f.Write(&b)
	return b.Bytes(), err
}

// rerate gives a still's sidecar another number of stars and returns how many it has now.
// The file stays as long as it was.
func (s *stage) rerate(f media.File) (stars int, err error) {
	before, err := content(f)
	if err != nil {
		return 0, err
	}
	still := strings.TrimSuffix(path.Base(f.Rel), ".xmp") + ".JPG"
	for stars = 5; stars >= 0; stars-- {
		var now bytes.Buffer
		if err := media.Sidecar(&now, still, stars); err != nil {
			return 0, err
		}
		if !bytes.Equal(now.Bytes(), before) {
			return stars, os.WriteFile(s.working(f.Rel), now.Bytes(), 0o644)
		}
	}
	return 0, errors.New("no other rating makes another sidecar")
}

// flip turns one bit in the middle of a file and keeps its date: rot leaves no trace.
func flip(name string) (at int64, err error) {
	fi, err := os.Stat(name)
	if err != nil {
		return 0, err
	}
	file, err := os.OpenFile(name, os.O_RDWR, 0)
	if err != nil {
		return 0, err
	}
	one := make([]byte, 1)
	at = fi.Size() / 2
	if _, err = file.ReadAt(one, at); err == nil {
		one[0] ^= 0x10
		_, err = file.WriteAt(one, at)
	}
	if err := errors.Join(err, file.Close()); err != nil {
		return at, err
	}
	return at, os.Chtimes(name, fi.ModTime(), fi.ModTime())
}
