package daemon

import (
	"context"
	"errors"
	"fmt"
	"maps"
	"slices"
	"time"

	"copyhold/daemon/desktop"
	"copyhold/replicate"
	"copyhold/state"
)

// tellEvery bounds how often notices are drawn anew.
const tellEvery = time.Second

// notices lists what holds now.
func (w *world) notices(now time.Time) []replicate.Notice {
	return replicate.Notices(w.facts(now))
}

func (w *world) facts(now time.Time) replicate.Facts {
	f := replicate.Facts{Now: now, Policy: w.policy, Paused: w.isPaused(now), PausedUntil: w.pausedUntil}
	full := map[replicate.DriveNo]int64{}
	for id, s := range w.shoots {
		f.Shoots = append(f.Shoots, replicate.ShootFacts{ID: id, Cover: s.cover, Since: s.Since})
		for no, share := range s.cover.Drives {
			full[no] += share.Refused[replicate.DriveFull].Bytes
		}
	}
	for _, s := range w.drives {
		d := replicate.DriveFacts{Drive: s.Drive, Present: s.present, Released: s.released, Trouble: s.trouble, Doubt: s.doubt, Unreadable: s.unreadable, Since: s.since}
		if missing := full[s.No]; missing > 0 && d.Trouble == replicate.NoCause {
			d.Trouble, d.Missing = replicate.DriveFull, missing
		}
		f.Drives = append(f.Drives, d)
	}
	for _, s := range w.workings {
		f.Workings = append(f.Workings, replicate.WorkingFacts{
			Name: s.name, Path: s.path, Online: s.online, Why: s.why, Since: s.since, WatchLimit: s.limited,
			ClosedPaths: slices.Sorted(maps.Keys(s.closed)),
		})
	}
	return f
}

// tell says aloud what should be said, logs it, and withdraws what is over.
func (d *Daemon) tell(now time.Time) {
	w := d.world
	if now.Before(w.tellAt) {
		return
	}
	if now.Sub(w.standsAt) > time.Hour {
		d.restandAll(now)
	}
	w.tellAt = time.Time{}
	if w.version == w.told && (w.warnAt.IsZero() || now.Before(w.warnAt)) {
		return
	}
	w.told, w.tellAt, w.warnAt = w.version, now.Add(tellEvery), w.nextWarning(now)
	holds := map[string]bool{}
	saying := map[string]replicate.Said{}
	byCode := map[replicate.Code][]replicate.Notice{}
	for _, n := range w.notices(now) {
		holds[n.Key()] = true
		if say, why := replicate.Speak(n, w.said[n.Key()], now); say {
			d.log.Warn("notice", "code", string(n.Code), "severity", n.Severity.String(), "text", n.Text, "why", why)
			saying[n.Key()] = replicate.Said{At: now, Severity: n.Severity, Weight: n.Weight}
			byCode[n.Code] = append(byCode[n.Code], n)
		}
	}
	over := d.over(holds)
	if len(saying) > 0 || len(over) > 0 {
		d.rememberSaid(saying, over, now)
	}
	for code, notices := range byCode {
		d.say(speech{message: compose(code, notices)})
	}
}

// nextWarning is when the next notice will hold or be due again by time alone.
func (w *world) nextWarning(now time.Time) time.Time {
	next := now.Add(time.Hour)
	for _, s := range w.shoots {
		if s.cover.Standing != replicate.OneCopy {
			continue
		}
		if at := s.Since.Add(w.policy.WarnAfter); at.After(now) && at.Before(next) {
			next = at
		}
	}
	for _, s := range w.drives {
		if at := s.since.Add(replicate.UnplugGrace); at.After(now) && at.Before(next) {
			next = at
		}
	}
	return next
}

// over lists the notices that were said and no longer hold.
func (d *Daemon) over(holds map[string]bool) []string {
	var over []string
	for key := range d.world.said {
		if !holds[key] {
			over = append(over, key)
		}
	}
	return over
}

func (d *Daemon) rememberSaid(saying map[string]replicate.Said, over []string, now time.Time) {
	d.update(now, func(tx *state.Tx) error {
		for key, said := range saying {
			if err := tx.PutSaid(key, said); err != nil {
				return err
			}
		}
		for _, key := range over {
			if err := tx.PutSaid(key, replicate.Said{}); err != nil {
				return err
			}
		}
		return nil
	})
	maps.Copy(d.world.said, saying)
	codes := map[string]bool{}
	for _, key := range over {
		delete(d.world.said, key)
		codes[codeOf(key)] = true
	}
	for key := range d.world.said {
		delete(codes, codeOf(key)) // another of its kind still holds
	}
	for code := range codes {
		d.log.Info("notice over", "code", code)
		d.say(speech{withdraw: code})
	}
}

func codeOf(key string) string {
	for i := range key {
		if key[i] == ' ' {
			return key[:i]
		}
	}
	return key
}

// speech is one thing for the desktop.
type speech struct {
	message  desktop.Message
	withdraw string // the key of what is over
}

// compose makes one message of the notices of one kind, so that ten shoots do
// not ring ten times. It replaces the earlier message of its kind.
func compose(code replicate.Code, notices []replicate.Notice) desktop.Message {
	n := notices[0]
	m := desktop.Message{Key: string(code), Summary: summaries[code], Urgency: desktop.Normal}
	if n.Severity == replicate.Critical {
		m.Urgency = desktop.Critical
	}
	m.Body = n.Text
	if more := len(notices) - 1; more > 0 {
		m.Body += fmt.Sprintf(" (and %d more: copyhold status)", more)
	}
	m.Body += "\n" + n.Do
	return m
}

// summaries are the first lines of messages.
var summaries = map[replicate.Code]string{
	replicate.NoticeOneCopy:    "Only one copy",
	replicate.NoticeDamaged:    "A copy is damaged",
	replicate.NoticeDoubtful:   "A drive is not used",
	replicate.NoticeDriveFull:  "A drive is full",
	replicate.NoticeReadOnly:   "A drive takes no writes",
	replicate.NoticeDriveFails: "A drive fails",
	replicate.NoticeUnreadable: "Files cannot be read",
	replicate.NoticeNotStored:  "Files could not be stored",
	replicate.NoticeWatchLimit: "Too many folders to watch",
	replicate.NoticeNoDrive:    "No drive yet",
}

// say hands a speech on; the loop never waits for a desktop.
func (d *Daemon) say(s speech) {
	select {
	case d.mouth <- s:
	default:
		d.log.Warn("the desktop does not listen")
	}
}

// speak is the goroutine that talks to the desktop. What could not be said,
// because nobody is logged in or nothing shows notifications yet, is said when
// that changes.
func (d *Daemon) speak(ctx context.Context) {
	if d.opt.Speaker == nil {
		d.listenOnly(ctx)
		return
	}
	unsaid := map[string]desktop.Message{}
	again := time.NewTicker(speakAgain)
	defer again.Stop()
	for {
		select {
		case <-ctx.Done():
			return
		case s := <-d.mouth:
			if s.withdraw != "" {
				delete(unsaid, s.withdraw)
				d.unspoken(ctx, d.opt.Speaker.Withdraw(ctx, s.withdraw))
				continue
			}
			unsaid[s.message.Key] = s.message
		case <-again.C:
		}
		for key, m := range unsaid {
			err := d.opt.Speaker.Say(ctx, m)
			if err == nil {
				delete(unsaid, key)
			}
			d.unspoken(ctx, err)
		}
	}
}

// speakAgain is how long a desktop that was not there is given to appear.
const speakAgain = 30 * time.Second

// unspoken logs why the desktop was not told; that there is none is normal.
func (d *Daemon) unspoken(ctx context.Context, err error) {
	if err == nil || ctx.Err() != nil || errors.Is(err, desktop.ErrNoDesktop) || errors.Is(err, desktop.ErrNoServer) {
		return
	}
	d.log.Info("the desktop was not told", "err", err)
}

// listenOnly takes speeches that nobody wants to hear.
func (d *Daemon) listenOnly(ctx context.Context) {
	for {
		select {
		case <-ctx.Done():
			return
		case <-d.mouth:
		}
	}
}
