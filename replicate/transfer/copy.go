package transfer

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"slices"
	"sync"
	"sync/atomic"
	"time"

	"copyhold/replicate"
	"copyhold/replicate/volume"
)

// Copy brings the tasks' files to the targets and returns when every lane is
// done. Each file and drive gets one result, unless ctx ends first: then what
// is not written whole is dropped without one. done is called for each drive as soon
// as its own part is over, so that it can take other work while slower drives
// go on.
func (e *Engine) Copy(ctx context.Context, src Source, tasks []Task, targets []Target, done func(replicate.DriveNo)) {
	window := max(4, windowTotal/max(1, len(targets)))
	lanes := make([]*lane, len(targets))
	var wg sync.WaitGroup
	for i, t := range targets {
		lanes[i] = newLane(ctx, e, src, t, window, len(tasks))
		wg.Go(func() {
			lanes[i].run()
			done(t.Drive)
		})
	}
	r := reader{ctx: ctx, engine: e, src: src, digest: newDigester(), spare: make(chan *buffer, window*len(targets)+1)}
	for i := range tasks {
		if ctx.Err() != nil || e.Halt != nil && e.Halt() {
			break
		}
		r.read(&tasks[i], lanes)
	}
	for _, l := range lanes {
		close(l.inbox)
	}
	wg.Wait()
}

// buffer is a piece of a source file on its way to the lanes.
type buffer struct {
	data [BufferSize]byte
	n    int
	refs atomic.Int32 // lanes and the reader that still need it
	home chan *buffer // where it goes when nobody needs it
}

// release gives up one hold on b; the last one puts it back.
func (b *buffer) release() {
	if b.refs.Add(-1) > 0 {
		return
	}
	select {
	case b.home <- b:
	default:
	}
}

// reader reads each source once and hands it to all lanes that want it.
type reader struct {
	ctx    context.Context
	engine *Engine
	src    Source
	digest *digester
	spare  chan *buffer
}

// read hands one file to the lanes: begin, its pieces, end.
func (r *reader) read(t *Task, all []*lane) {
	lanes := make([]*lane, 0, len(all))
	refused := new(atomic.Int32)
	for _, l := range all {
		if order, wanted := t.To[l.target.Drive]; wanted {
			lanes = append(lanes, l)
			l.inbox <- message{kind: begin, file: &t.File, order: order, at: r.engine.now(), refused: refused}
		}
	}
	if len(lanes) == 0 {
		return
	}
	content, err := r.pour(&t.File, lanes, refused)
	for _, l := range lanes {
		l.inbox <- message{kind: end, content: content, err: err}
		l.alone = false
	}
}

// content is what the reader learned of a source.
type content struct {
	stat   replicate.Stat
	digest replicate.Digest
	xxh    replicate.XXH128
}

// errNobody ends the reading of a file that every lane has given up.
var errNobody = errors.New("no drive takes the file")

func (r *reader) pour(f *replicate.File, lanes []*lane, refused *atomic.Int32) (content, error) {
	if err := r.ctx.Err(); err != nil {
		return content{}, err
	}
	src, err := openAsKnown(r.src, f)
	if err != nil {
		return content{}, err
	}
	defer src.Close()
	r.digest.Reset()
	var size int64
	for {
		b := r.take()
		n, err := io.ReadFull(src, b.data[:])
		b.n = n
		r.send(b, size, lanes)
		r.digest.Write(b.data[:n])
		b.release()
		size += int64(n)
		if size >= forgetAbove {
			src.Forget()
		}
		if err == io.EOF || err == io.ErrUnexpectedEOF {
			break
		}
		if err != nil {
			return content{}, unreadable(err)
		}
		if err := r.ctx.Err(); err != nil {
			return content{}, err
		}
		if int(refused.Load()) == len(lanes) {
			return content{}, errNobody
		}
	}
	if err := stillAsKnown(r.src, src, f, size); err != nil {
		return content{}, err
	}
	c := content{stat: f.Stat}
	c.digest, c.xxh = r.digest.sums()
	return c, nil
}

// forgetAbove: smaller files may stay in the page cache, the person probably
// looks at them next.
const forgetAbove = 32 << 20

// send hands a piece to every lane that keeps up. A lane whose window is full
// and which has held the others back for longer than the patience goes on alone
// from this offset.
func (r *reader) send(b *buffer, offset int64, lanes []*lane) {
	if b.n == 0 {
		return
	}
	for _, l := range lanes {
		if l.alone {
			continue
		}
		if !r.room(l, lanes) {
			l.alone = true
			l.inbox <- message{kind: alone, offset: offset}
			continue
		}
		b.refs.Add(1)
		l.inbox <- message{kind: piece, buffer: b}
	}
}

// room waits for a place in the lane's window. Waits add up, however short each
// one is: a drive of half the speed would set the pace for all otherwise.
func (r *reader) room(l *lane, lanes []*lane) bool {
	select {
	case l.window <- struct{}{}:
		return true
	default:
	}
	if len(lanes) == 1 { // there is nobody to hold back
		select {
		case l.window <- struct{}{}:
			return true
		case <-r.ctx.Done():
			return false
		}
	}
	limit := cmp.Or(r.engine.Patience, patience)
	for began := time.Now(); ; {
		timer := time.NewTimer(max(limit-l.held, limit/16))
		select {
		case l.window <- struct{}{}:
			timer.Stop()
			if starving(lanes) {
				l.held += time.Since(began)
			}
			return true
		case <-timer.C:
			if starving(lanes) {
				l.held = limit
				return false
			}
		case <-r.ctx.Done():
			timer.Stop()
			return false
		}
	}
}

// starving reports whether a lane has nothing left to write while the reader
// waited for another one. Equally slow drives never starve, and stay together.
func starving(lanes []*lane) bool {
	return slices.ContainsFunc(lanes, func(l *lane) bool { return !l.alone && len(l.window) == 0 })
}

// take returns a buffer that only the reader holds.
func (r *reader) take() *buffer {
	select {
	case b := <-r.spare:
		b.refs.Store(1)
		return b
	default:
		b := &buffer{home: r.spare}
		b.refs.Store(1)
		return b
	}
}

// openAsKnown opens a source and makes sure that it still is what the ledger
// knows: the second of the two equal looks.
func openAsKnown(src Source, f *replicate.File) (volume.File, error) {
	opened, err := src.Open(f.Path)
	if err != nil {
		return nil, unreadable(err)
	}
	info, err := opened.Stat()
	if err == nil && !info.Stat.Same(f.Stat) {
		err = changing(f, info.Stat)
	}
	if err != nil {
		opened.Close()
		return nil, err
	}
	return opened, nil
}

// stillAsKnown looks at a source again after it was read: at the open file,
// and at what has its name by now.
func stillAsKnown(src Source, opened volume.File, f *replicate.File, size int64) error {
	info, err := opened.Stat()
	if err != nil {
		return unreadable(err)
	}
	named, err := src.Lstat(f.Path)
	switch {
	case err != nil:
		return unreadable(err)
	case !named.Stat.Same(f.Stat):
		return changing(f, named.Stat)
	case !info.Stat.Same(f.Stat) || size != f.Size:
		return changing(f, info.Stat)
	}
	return nil
}

func unreadable(err error) error {
	cause := replicate.SourceUnreadable
	if errors.Is(err, fs.ErrNotExist) {
		cause = replicate.SourceGone
	}
	return &sourceError{cause: cause, err: err}
}

func changing(f *replicate.File, now replicate.Stat) error {
	return &sourceError{
		cause: replicate.SourceChanging, stat: now,
		err: fmt.Errorf("read %s: it was changing (%d bytes, then %d)", f.Path, f.Size, now.Size),
	}
}
