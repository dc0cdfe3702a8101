// Package daemon is the long-running process. It owns every goroutine: one loop
// that owns what is known, one tree for each working folder that looks and
// scans, one finder that looks for drives, one goroutine for each copying job,
// and the control socket.
//
//	trees ──looks, changes──▶ ┌──────┐ ──▶ ledger (many facts a transaction)
//	finder ──evidence───────▶ │ loop │ ──jobs──▶ transfer ──results──▶ loop
//	socket ──questions──────▶ └──────┘ ──notices──▶ log, desktop
//
// The loop decides nothing by itself: it asks package replicate. It touches no
// drive: it starts jobs. Whatever may hang runs outside it.
package daemon

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"os"
	"path/filepath"
	"sync"
	"time"

	"copyhold/config"
	"copyhold/daemon/api"
	"copyhold/daemon/drives"
	"copyhold/replicate"
	"copyhold/replicate/lists"
	"copyhold/replicate/transfer"
	"copyhold/state"
)

// Daemon is the process. It exists inside Run.
type Daemon struct {
	opt    Options
	log    *slog.Logger
	ledger *state.Ledger
	since  time.Time
	world  *world

	events  chan event
	results chan transfer.Result
	asks    chan func()
	trees   map[string]*tree
	finder  *drives.Finder
	look    chan struct{} // look for drives now
	mouth   chan speech
	live    subscribers
	workers sync.WaitGroup // jobs; one that hangs in the system is not waited for
	ended   chan struct{}  // closed when the loop has ended: nobody answers any more
	fatal   error          // the ledger cannot be written: nothing more can be promised
	stop    context.CancelFunc
}

// event is what the loop hears from its goroutines.
type event interface {
	apply(d *Daemon, now time.Time)
}

const (
	resultsAhead = 1024
	drainWithin  = 10 * time.Second
	publishEvery = 250 * time.Millisecond
	heartbeat    = time.Minute
)

// Run is the daemon until ctx ends. It returns nil then, a *api.Fault when
// another one is running, and any other error when it cannot go on.
func Run(ctx context.Context, opt Options) error {
	listener, err := api.Listen(opt.StateDir)
	if err != nil {
		return err
	}
	defer listener.Close()
	ledger, err := state.Open(opt.StateDir)
	if err != nil {
		return ledgerFault(err)
	}
	defer ledger.Close()
	d := newDaemon(opt, ledger)
	if err := d.load(time.Now()); err != nil {
		return ledgerFault(err)
	}
	if err := d.checkApart(); err != nil {
		return err
	}
	return d.run(ctx, listener)
}

// checkApart refuses a configuration whose working folders overlap a drive that
// is there: the drive would be copied to itself.
func (d *Daemon) checkApart() error {
	var there []string
	for _, s := range d.world.drives {
		identity := filepath.Join(s.LastPath, filepath.FromSlash(lists.IdentityFile))
		if _, err := os.Stat(identity); err == nil && s.InUse() {
			there = append(there, s.LastPath)
		}
	}
	_, err := config.SplitMissing(d.opt.Config.Check(there))
	return err
}

func newDaemon(opt Options, ledger *state.Ledger) *Daemon {
	return &Daemon{
		opt: opt, log: opt.Log, ledger: ledger, since: time.Now(),
		world:   newWorld(opt.Config),
		events:  make(chan event, 64),
		results: make(chan transfer.Result, resultsAhead),
		asks:    make(chan func()),
		trees:   map[string]*tree{},
		finder:  drives.NewFinder(),
		look:    make(chan struct{}, 1),
		mouth:   make(chan speech, 64),
		ended:   make(chan struct{}),
	}
}

func (d *Daemon) load(now time.Time) error {
	return d.ledger.View(func(tx *state.Tx) error { return d.world.load(tx, now) })
}

// run starts the goroutines, runs the loop, and waits for all of them.
func (d *Daemon) run(ctx context.Context, listener *api.Listener) error {
	ctx, d.stop = context.WithCancel(ctx)
	defer d.stop()
	var wg sync.WaitGroup
	served := make(chan error, 1)
	wg.Go(func() {
		served <- api.Serve(ctx, listener, &service{d}, d.live.subscribe, d.log)
		d.stop()
	})
	wg.Go(func() { d.find(ctx) })
	wg.Go(func() { d.speak(ctx) })
	for _, w := range d.opt.Config.Working {
		t := newTree(d, w.Name, w.Folder)
		d.trees[w.Name] = t
		wg.Go(func() { t.run(ctx) })
	}
	d.log.Info("running", "version", d.opt.Version, "state", d.opt.StateDir, "working", len(d.trees))
	if d.opt.Ready != nil {
		d.opt.Ready()
	}
	d.loop(ctx)
	close(d.ended)
	d.stop()
	wg.Wait()
	d.log.Info("stopped")
	return errors.Join(d.fatal, <-served)
}

// loop owns what is known.
func (d *Daemon) loop(ctx context.Context) {
	alarm := time.NewTimer(0)
	defer alarm.Stop()
	for {
		select {
		case <-ctx.Done():
			d.drain()
			return
		case e := <-d.events:
			e.apply(d, time.Now())
		case r := <-d.results:
			d.record(d.gather(r), time.Now()) // on disk first, believed second
		case ask := <-d.asks:
			ask()
		case <-alarm.C:
		}
		now := time.Now()
		d.settle(now)
		d.dispatch(ctx, now)
		d.tell(now)
		d.publish(now)
		alarm.Reset(d.next(now))
	}
}

// next is how long nothing will happen by time alone.
func (d *Daemon) next(now time.Time) time.Duration {
	at := now.Add(heartbeat)
	for _, t := range []time.Time{d.world.wake, d.world.settleAt, d.world.publishAt, d.world.tellAt, d.world.warnAt} {
		if !t.IsZero() && t.Before(at) {
			at = t
		}
	}
	return max(at.Sub(now), time.Millisecond)
}

// drain lets jobs drop what they have in hand, records what they finished, and
// gives up on those that hang in the system.
func (d *Daemon) drain() {
	gone := make(chan struct{})
	go func() {
		d.workers.Wait()
		close(gone)
	}()
	late := time.After(drainWithin)
	for {
		select {
		case r := <-d.results:
			d.record(d.gather(r), time.Now())
		case e := <-d.events:
			e.apply(d, time.Now())
		case ask := <-d.asks:
			ask()
		case <-late:
			d.log.Warn("stopping although a drive does not answer")
			return
		case <-gone:
			for len(d.results) > 0 {
				d.record(d.gather(<-d.results), time.Now())
			}
			d.rememberSeen(time.Now())
			return
		}
	}
}

// gather takes the results that wait behind r, so that one transaction records
// them all.
func (d *Daemon) gather(r transfer.Result) []transfer.Result {
	all := []transfer.Result{r}
	for len(all) < resultsAhead {
		select {
		case r := <-d.results:
			all = append(all, r)
		default:
			return all
		}
	}
	return all
}

// send hands an event to the loop; false when the daemon is stopping.
func (d *Daemon) send(ctx context.Context, e event) bool {
	select {
	case d.events <- e:
		return true
	case <-ctx.Done():
		return false
	}
}

// inLoop runs ask in the loop and waits for it.
func (d *Daemon) inLoop(ctx context.Context, ask func()) error {
	done := make(chan struct{})
	select {
	case d.asks <- func() { ask(); close(done) }:
		<-done
		return nil
	case <-d.ended:
		return errStopping
	case <-ctx.Done():
		return ctx.Err()
	}
}

// errStopping answers a question that came too late.
var errStopping = &api.Fault{What: "Copyhold is stopping", Safe: "finished copies are kept", Do: "ask again in a moment"}

// update records facts and keeps the world equal to the ledger. When the ledger
// cannot be written the daemon ends: copies it cannot record it must not make.
func (d *Daemon) update(now time.Time, fn func(*state.Tx) error) bool {
	var changed []state.Shoot
	err := d.ledger.Update(func(tx *state.Tx) error {
		changed = nil
		if err := fn(tx); err != nil {
			return err
		}
		for s := range tx.Changed() {
			d.world.restand(s, now)
			changed = append(changed, state.Shoot{ID: s.ID, Tally: s.Tally.Clone(), Standing: s.Standing, Since: s.Since, FirstSeen: s.FirstSeen})
		}
		return nil
	})
	if err != nil {
		d.log.Error("the ledger cannot be written", "err", err)
		d.fatal = fmt.Errorf("write the ledger: %w", err)
		d.stop()
		return false
	}
	for _, s := range changed {
		d.world.put(s, now)
	}
	return true
}

// ledgerFault says what a ledger that does not open means.
func ledgerFault(err error) error {
	f := &api.Fault{What: err.Error()}
	switch {
	case errors.Is(err, state.ErrBusy):
		f.Safe = "nothing was changed"
		f.Do = "another Copyhold command has it open: try again in a moment"
	case errors.Is(err, state.ErrNewer):
		f.Safe = "nothing was changed; the copies on the drives are plain files and need no ledger"
		f.Do = "install the newer Copyhold again"
	case errors.Is(err, state.ErrCorrupt):
		f.Safe = "the working folders and the copies on the drives are untouched"
		f.Do = "move the file aside; what is on the drives is found again when it is read"
	default:
		return err
	}
	return f
}

// driveByID finds a drive of the world. One that was retired and adopted again
// is met twice; the last is the one in use.
func (w *world) driveByID(id replicate.DriveID) (found *driveState) {
	for _, s := range w.drives {
		if s.ID == id {
			found = s
		}
	}
	return found
}
