package transfer

import (
	"context"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"path"
	"sync/atomic"
	"time"

	"copyhold/replicate"
	"copyhold/replicate/lists"
	"copyhold/replicate/volume"
)

// message is what the reader tells a lane. For each file: begin, then pieces,
// perhaps alone instead of the remaining ones, then end.
type message struct {
	kind    messageKind
	file    *replicate.File
	order   Order
	at      time.Time
	refused *atomic.Int32 // lanes that gave the file up
	buffer  *buffer
	offset  int64
	content content
	err     error
}

type messageKind uint8

const (
	begin messageKind = iota
	piece
	alone
	end
)

// lane brings files to one drive. Its writer runs in run, its sealer beside it.
type lane struct {
	ctx    context.Context
	engine *Engine
	src    Source
	target Target
	inbox  chan message  // never full: window pieces and three messages a file fit
	window chan struct{} // one place for each piece under way

	alone bool          // the reader's: no more pieces for this file
	held  time.Duration // the reader's: how long others had to wait for this lane

	file  *draft   // being written
	group []*draft // written, to be sealed together
	bytes int64    // of group
	seals chan []*draft
	spelt *spelling // the writer's
	trial []byte    // for reading back in the writer

	dead atomic.Pointer[error] // the drive is gone: everything else fails at once
}

// draft is a file on its way to a drive.
type draft struct {
	file    *replicate.File
	order   Order
	content content
	began   time.Time
	partial string
	stored  string // path inside the working folder's folder on the drive
	final   string // path on the drive
	sink    volume.Sink
	written int64
	keep    bool // something stands under the final name and must be kept
	compare bool // it may be the content already: nothing is written yet
	kept    string
	err     error
	refused *atomic.Int32
	said    bool // that it is refused
}

func newLane(ctx context.Context, e *Engine, src Source, t Target, window, tasks int) *lane {
	return &lane{
		ctx: ctx, engine: e, src: src, target: t,
		inbox:  make(chan message, window+4*tasks+1),
		window: make(chan struct{}, window),
		seals:  make(chan []*draft, 1),
		spelt:  newSpelling(t),
	}
}

// run writes until the inbox ends and waits for the sealer.
func (l *lane) run() {
	sealed := make(chan struct{})
	go func() {
		defer close(sealed)
		s := sealer{lane: l, buffer: make([]byte, BufferSize), spelt: newSpelling(l.target), lasts: map[string]bool{}}
		for group := range l.seals {
			s.seal(group)
		}
	}()
	for m := range l.inbox {
		switch m.kind {
		case begin:
			l.begin(m)
		case piece:
			l.write(m.buffer.data[:m.buffer.n])
			m.buffer.release()
			<-l.window
		case alone:
			l.readAlone(m.offset)
		case end:
			l.end(m)
		}
	}
	l.flush()
	close(l.seals)
	<-sealed
}

// begin looks at what stands under the name, at the room, and opens a partial.
func (l *lane) begin(m message) {
	d := &draft{file: m.file, order: m.order, began: m.at, refused: m.refused}
	l.file = d
	defer l.refuse(d)
	if gone := l.dead.Load(); gone != nil {
		d.err = *gone
		return
	}
	if d.err = l.ctx.Err(); d.err == nil {
		d.err = l.place(d)
	}
	if d.err == nil {
		d.err = l.lookBefore(d)
	}
	if d.err == nil && !d.compare {
		d.err = l.open(d)
	}
}

// refuse tells the reader that this lane needs no more of the file: there is no
// point in reading a hundred gigabytes for a drive that is full.
func (l *lane) refuse(d *draft) {
	if d.err != nil && !d.said {
		d.said = true
		d.refused.Add(1)
	}
}

// place finds where the file goes on the drive.
func (l *lane) place(d *draft) error {
	working, fits := replicate.StoredPath(d.file.Working, l.target.Traits)
	d.stored = d.order.StoredAs
	if d.stored == "" {
		var ok bool
		d.stored, ok = replicate.StoredPath(d.file.Path, l.target.Traits)
		fits = fits && ok
	}
	if !fits {
		return errNameTooBig
	}
	d.final = working + "/" + d.stored
	return nil
}

// lookBefore decides between a free name, content that may be right already,
// and earlier content that must be kept.
func (l *lane) lookBefore(d *draft) error {
	v := l.target.Volume
	info, err := v.Lstat(d.final)
	switch {
	case errors.Is(err, fs.ErrNotExist):
		return nil
	case err != nil:
		return err
	case info.Kind != volume.Regular:
		return volume.ErrBlocked
	case d.order.Keep:
		d.keep = true
		return nil
	}
	if err := l.spelt.check(d.final); err != nil {
		return err
	}
	d.keep, d.compare = true, info.Stat.Size == d.file.Size
	return nil
}

// spelling refuses paths that a volume takes for other ones, because it folds
// case: there is no telling the two apart by asking for the name. It remembers
// what it has seen; the writer and the sealer of a lane have one each.
type spelling struct {
	target Target
	exact  map[string]bool // paths that are on the drive in just these letters
}

func newSpelling(t Target) *spelling { return &spelling{target: t, exact: map[string]bool{}} }

// check looks at every part of the path that is on the drive.
func (s *spelling) check(name string) error {
	if !s.target.Traits.FoldsCase || name == "" || s.exact[name] {
		return nil
	}
	folder := parentOf(name)
	if err := s.check(folder); err != nil {
		return err
	}
	v := s.target.Volume
	if _, err := v.Lstat(name); errors.Is(err, fs.ErrNotExist) {
		return nil
	}
	infos, err := v.ReadDir(folder)
	if err != nil {
		return err
	}
	for _, info := range infos {
		s.exact[path.Join(folder, info.Name)] = true
	}
	if !s.exact[name] {
		return errCaseTwin
	}
	return nil
}

// margin is the room that stays free beside a file: folders and lists need
// some, and a file system that is full to the brim fails in odd ways.
func margin(size int64) int64 { return 8<<20 + min(size/100, 1<<30) }

func (l *lane) checkRoom(need int64) error {
	room, err := l.target.Volume.Room()
	if err != nil {
		return err
	}
	if room.Free < need+margin(room.Size) {
		return errNoRoom
	}
	return nil
}

// open begins a partial, if there is room for it. What may be there already needs
// none.
func (l *lane) open(d *draft) error {
	if err := l.checkRoom(d.file.Size); err != nil {
		return err
	}
	d.partial = lists.PartialDir + "/" + partialTag()
	sink, err := l.target.Volume.Create(d.partial)
	d.sink = sink
	return err
}

func (l *lane) write(p []byte) {
	d := l.file
	if d.err != nil || d.compare {
		return
	}
	if d.err = l.wait(len(p)); d.err != nil {
		return
	}
	n, err := d.sink.Write(p)
	d.written += int64(n)
	d.err = err
	l.refuse(d)
	l.engine.progress(Progress{Drive: l.target.Drive, File: d.file.FileID, Done: d.written, Total: d.file.Size})
}

// wait keeps to the drive's rate.
func (l *lane) wait(n int) error {
	if l.target.Limit == nil {
		return nil
	}
	return l.target.Limit.WaitN(l.ctx, n)
}

// readAlone goes on from offset without the reader, to the end of the file.
func (l *lane) readAlone(offset int64) {
	d := l.file
	if d.err != nil || d.compare {
		return
	}
	src, err := openAsKnown(l.src, d.file)
	if err != nil {
		d.err = err
		return
	}
	defer src.Close()
	rest := io.NewSectionReader(src, offset, d.file.Size-offset)
	buffer := make([]byte, BufferSize)
	for d.err == nil {
		if d.err = l.ctx.Err(); d.err != nil {
			return
		}
		n, err := rest.Read(buffer)
		l.write(buffer[:n])
		if err == io.EOF {
			break
		}
		if err != nil {
			d.err = unreadable(err)
		}
	}
	if d.err == nil {
		d.err = stillAsKnown(l.src, src, d.file, d.written)
	}
}

// end closes a file's writing and hands groups to the sealer.
func (l *lane) end(m message) {
	d := l.file
	l.file = nil
	if m.err != nil && m.err != errNobody {
		d.err = m.err // the source's trouble is told before the drive's
	}
	d.content = m.content
	if d.err == nil && d.compare {
		l.compareOrCopy(d)
	}
	if d.err != nil {
		l.fail(d)
		return
	}
	l.group = append(l.group, d)
	l.bytes += d.file.Size
	if len(l.group) >= groupFiles || l.bytes >= groupBytes {
		l.flush()
	}
}

func (l *lane) flush() {
	if len(l.group) == 0 {
		return
	}
	l.seals <- l.group
	l.group, l.bytes = nil, 0
}

// compareOrCopy reads what stands under the name. If it is the content, the
// copy is there already: after a crash between rename and record, or from
// another computer. If not, or if it cannot be read, the file is copied after
// all: a bad place under one old file says nothing about the drive, and a drive
// that is gone says so at the next step.
func (l *lane) compareOrCopy(d *draft) {
	if l.trial == nil {
		l.trial = make([]byte, BufferSize)
	}
	if l.target.Volume.SyncFile(d.final) == nil {
		if equal, err := l.holds(d, d.final, l.trial); err == nil && equal {
			return
		}
	}
	d.compare = false
	if d.err = l.open(d); d.err == nil {
		l.file = d
		l.readAlone(0)
		l.file = nil
	}
}

// holds reads a file of the drive past the cache and compares it with the
// source's digest (P4).
func (l *lane) holds(d *draft, name string, buffer []byte) (bool, error) {
	f, err := l.target.Volume.OpenPastCache(name)
	if err != nil {
		return false, err
	}
	defer f.Close()
	done := int64(0)
	digest, _, err := digestOf(f, buffer, func(n int) {
		done += int64(n)
		l.engine.progress(Progress{Drive: l.target.Drive, File: d.file.FileID, Done: done, Total: d.file.Size, Verifying: true})
	})
	f.Forget()
	return digest == d.content.digest, err
}

// fail drops a draft and reports why. A drive that is gone is asked nothing more.
func (l *lane) fail(d *draft) {
	l.drop(d)
	if l.ctx.Err() == nil && causeOf(d.err) == replicate.DriveRefused && l.target.Volume.Same() != nil {
		d.err = fmt.Errorf("%w: %w", volume.ErrLost, d.err) // a drive on its way out refuses in odd words
	}
	if causeOf(d.err) == replicate.DriveLost {
		l.dead.Store(&d.err)
	}
	if l.ctx.Err() != nil && errors.Is(d.err, l.ctx.Err()) {
		return
	}
	r := l.result(d)
	r.Err, r.Cause = d.err, causeOf(d.err)
	var source *sourceError
	if errors.As(d.err, &source) {
		r.Stat = source.stat
	}
	l.engine.report(r)
}

// drop forgets a partial. What cannot be removed now is cleared when the drive
// arrives the next time.
func (l *lane) drop(d *draft) {
	if d.sink == nil {
		return
	}
	_ = d.sink.Close() // the content is given up
	d.sink = nil
	_ = l.target.Volume.Remove(d.partial)
}

func (l *lane) result(d *draft) Result {
	at := l.engine.now()
	r := Result{
		File: d.file.FileID, Drive: l.target.Drive, At: at, Took: at.Sub(d.began),
		Stat: d.content.stat, Digest: d.content.digest, XXH128: d.content.xxh,
		Found: d.compare, Kept: d.kept,
	}
	if d.stored != d.file.Path {
		r.StoredAs = d.stored
	}
	return r
}
