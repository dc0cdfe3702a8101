package daemon

import (
	"time"

	"copyhold/config"
	"copyhold/daemon/drives"
	"copyhold/replicate"
	"copyhold/state"
)

// world is what the loop knows: the ledger's facts in brief, and the facts of
// the moment that no ledger holds. Only the loop touches it.
type world struct {
	policy   replicate.Policy
	settle   time.Duration
	settling *replicate.Settling

	shoots   map[replicate.ShootID]*shootState
	drives   []*driveState
	workings []*workingState
	fleet    replicate.Fleet
	said     map[string]replicate.Said

	paused      bool
	pausedUntil time.Time // zero while paused: until resumed

	wake      time.Time // something that waits may go on
	settleAt  time.Time // a file may have settled
	publishAt time.Time // the live state may be told again
	tellAt    time.Time // notices may be told again
	warnAt    time.Time // a shoot will have been on one device for too long
	version   int       // counts changes of what is known
	told      int       // version when notices were told
	published int       // version when the live state was told
	standsAt  time.Time // when every standing was last computed
}

type shootState struct {
	state.Shoot
	cover replicate.Cover
}

// driveState is a drive and what is true of it now.
type driveState struct {
	replicate.Drive
	present    bool
	arriving   bool            // being opened for the first time
	doubt      string          // why it is not used although it seems to be there
	released   bool            // takes no copies until it is plugged in again
	flushed    bool            // and was flushed since it is released
	unreadable bool            // the doubt is that it cannot be read
	path       string          // where it is
	place      drives.Place    // what it is on, when present
	trouble    replicate.Cause // why it takes no copies
	retryAt    time.Time       // of the trouble
	fails      int             // in a row
	since      time.Time       // of present, doubt or trouble
	job        *job            // nil: idle
	elsewhere  bool            // seen at another path while a job ran: to be looked for when it ends
	unlisted   map[replicate.ShootID]bool
	listedAt   time.Time
	rests      map[replicate.ShootID]time.Time // shoots with nothing to do before
	cursors    map[replicate.ShootID]*cursor
	meter      meter
}

// cursor is how far a drive went through a shoot's files in one pass. A pass that
// found nothing to do, while nothing changed, lets the shoot rest.
type cursor struct {
	after string
	rest  time.Time // the soonest that a file of this pass may be due; zero if none
	found bool      // this pass found something to do, or something changed
}

// workingState is a working folder and what is true of it now.
type workingState struct {
	name, path string
	online     bool
	why        string // it is not online
	since      time.Time
	scanning   bool
	place      drives.Place // what it is on, when online
	limited    int          // folders watched when the limit was met
	closed     map[string]bool
	rescan     map[replicate.ShootID]time.Time // shoots to scan again, and when
}

func newWorld(c config.Config) *world {
	w := &world{
		policy:   policyOf(c),
		settle:   time.Duration(c.Watch.Settle),
		settling: replicate.NewSettling(time.Duration(c.Watch.Settle)),
		shoots:   map[replicate.ShootID]*shootState{},
		said:     map[string]replicate.Said{},
	}
	for _, c := range c.Working {
		w.workings = append(w.workings, &workingState{
			name: c.Name, path: c.Folder, why: "not looked at yet", since: time.Now(),
			closed: map[string]bool{}, rescan: map[replicate.ShootID]time.Time{},
		})
	}
	return w
}

func policyOf(c config.Config) replicate.Policy {
	return replicate.Policy{
		Copies: c.Policy.Copies, OffSite: c.Policy.OffSite,
		WarnAfter:    time.Duration(c.Policy.WarnAfter),
		VerifyEvery:  time.Duration(c.Policy.VerifyEvery),
		KeepVersions: time.Duration(c.Policy.KeepVersions),
	}
}

// load takes in the ledger.
func (w *world) load(tx *state.Tx, now time.Time) error {
	known, err := tx.Drives()
	if err != nil {
		return err
	}
	for _, d := range known {
		unlisted, err := tx.Unlisted(d.No)
		if err != nil {
			return err
		}
		w.addDrive(d, unlisted, now)
	}
	if w.said, err = tx.Said(); err != nil {
		return err
	}
	pause, err := tx.Pause()
	if err != nil {
		return err
	}
	w.paused, w.pausedUntil = pause.On, pause.Until
	shoots, err := tx.Shoots()
	for _, s := range shoots {
		w.put(s, now)
	}
	return err
}

func (w *world) addDrive(d replicate.Drive, unlisted []replicate.ShootID, now time.Time) *driveState {
	s := &driveState{Drive: d, since: now, unlisted: map[replicate.ShootID]bool{}, rests: map[replicate.ShootID]time.Time{}, cursors: map[replicate.ShootID]*cursor{}}
	for _, id := range unlisted {
		s.unlisted[id] = true
	}
	w.drives = append(w.drives, s)
	w.refleet()
	return s
}

// refleet counts devices anew, after a drive changed.
func (w *world) refleet() {
	all := make([]replicate.Drive, len(w.drives))
	for i, d := range w.drives {
		all[i] = d.Drive
	}
	w.fleet = replicate.NewFleet(all)
	w.version++
}

// put takes in a shoot as the ledger has it.
func (w *world) put(s state.Shoot, now time.Time) {
	w.version++
	for _, d := range w.drives {
		delete(d.rests, s.ID)
		if c := d.cursors[s.ID]; c != nil {
			c.found = true
		}
	}
	if len(s.Tally) == 0 {
		delete(w.shoots, s.ID)
		return
	}
	w.shoots[s.ID] = &shootState{Shoot: s, cover: w.cover(s, now)}
}

func (w *world) cover(s state.Shoot, now time.Time) replicate.Cover {
	return replicate.CoverOf(s.ID, s.Tally, w.fleet, w.policy, now)
}

// restand gives a shoot the standing that its tally comes to.
func (w *world) restand(s *state.Shoot, now time.Time) {
	if standing := w.cover(*s, now).Standing; standing != s.Standing {
		s.Standing, s.Since = standing, now
	}
}

func (w *world) working(name string) *workingState {
	for _, s := range w.workings {
		if s.name == name {
			return s
		}
	}
	return nil
}

// wakeAt asks the loop to come back at t.
func (w *world) wakeAt(t time.Time) {
	if !t.IsZero() && (w.wake.IsZero() || t.Before(w.wake)) {
		w.wake = t
	}
}

// isPaused tells whether copying is paused now; a pause that is over ends.
func (w *world) isPaused(now time.Time) bool {
	return w.paused && (w.pausedUntil.IsZero() || now.Before(w.pausedUntil))
}

// restandAll computes every cover and standing anew: after the fleet changed,
// and once in a while because copies grow old.
func (d *Daemon) restandAll(now time.Time) {
	w := d.world
	w.standsAt = now
	var moved []*shootState
	for _, s := range w.shoots {
		s.cover = w.cover(s.Shoot, now)
		if s.cover.Standing != s.Standing {
			moved = append(moved, s)
		}
	}
	w.version++
	if len(moved) == 0 {
		return
	}
	d.update(now, func(tx *state.Tx) error {
		for _, s := range moved {
			if err := tx.SetStanding(s.ID, s.cover.Standing, now); err != nil {
				return err
			}
		}
		return nil
	})
}
