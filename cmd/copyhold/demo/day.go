package demo

import (
	"context"
	"fmt"
	"time"

	"copyhold/cmd/copyhold/demo/media"
	"copyhold/config"
	"copyhold/daemon/api"
)

// step is one scene of the day, in the scenario's own time.
type step struct {
	title, when string
	play        func(*day, context.Context) error
}

var steps = []step{
	{"Two empty drives", "Monday 2 March, 06:20", (*day).adopt},
	{"The cards are offloaded", "Monday 2 March, 17:40", (*day).offloadCards},
	{"Somebody else checks", "Monday 2 March, 18:05", (*day).checkOutside},
	{"The drives leave", "Monday 2 March, 21:30", (*day).leave},
	{"A shoot with one copy", "Tuesday 3 March, 01:15", (*day).countAtNight},
	{"An edit and a deletion", "Tuesday 3 March, 09:10", (*day).edit},
	{"The drives come back", "Tuesday 3 March, 18:30", (*day).comeBack},
	{"A copy rots", "Tuesday 3 March, 20:00", (*day).rot},
	{"Byte for byte", "Tuesday 3 March, 20:30", (*day).compareAll},
}

// day is the day as far as it has come.
type day struct {
	*stage
	*sheet
	eyes  eyes
	files []media.File
	night []media.File
	cast  cast

	cards haul // what the first offload brought
	count haul // and the second
}

// plan decides what will be shot and what will happen to it.
func (d *day) plan(scale media.Scale) (err error) {
	if d.files, err = media.Day(scale, daySeed); err != nil {
		return err
	}
	d.night = nightFiles(scale)
	d.cast, err = castOf(d.files)
	return err
}

func (d *day) hello(opt Options) {
	c, usual := d.cfg, config.Default()
	d.line("Copyhold %s: a day on Tern Island", opt.Version)
	d.blank()
	d.wrapped("", "A small crew records seabirds. Island, birds and files are invented; what Copyhold does with them is real, and every figure below was measured now.")
	d.blank()
	d.line("%s%-36s%d", margin, "copies wanted, on separate devices", c.Policy.Copies)
	d.line("%s%-36s%d", margin, "of these at home or off site", c.Policy.OffSite)
	d.line("%s%-36s%-7susually %v; this day is short", margin, "one copy is reported after", c.Policy.WarnAfter, usual.Policy.WarnAfter)
	d.line("%s%-36s%-7susually %v", margin, "a file is copied once quiet for", c.Watch.Settle, usual.Watch.Settle)
	d.blank()
	d.line("All of it happens in")
	d.line("%s%s", margin, d.dir)
	if !opt.Keep {
		d.line("and is removed at the end.")
	}
}

// adopt makes drives of two empty folders.
func (d *day) adopt(ctx context.Context) error {
	d.say("Two empty folders are adopted. On real hardware these are two separate drives; here they are folders on one disk, counted as separate for the demo's sake.")
	d.blank()
	for _, add := range []api.AddDrive{
		{Path: d.at(slate), Name: slate, Place: "with-me", Separate: true},
		{Path: d.at(attic), Name: attic, Place: "home", Separate: true},
	} {
		got, err := d.client.AddDrive(ctx, add)
		switch {
		case err != nil:
			return fmt.Errorf("adopt %q: %w", add.Name, err)
		case !got.Online || got.Place != add.Place || len(got.SharesWith) > 0 || got.Copies != 0:
			return fmt.Errorf("the drive %q was not adopted as it was asked for: %+v", add.Name, got)
		}
		d.line("%s%-10s%-10s%7s free", margin, got.Name, got.Place, size(got.FreeBytes))
	}
	return nil
}

// offloadCards writes two shoots while the daemon copies them.
func (d *day) offloadCards(ctx context.Context) (err error) {
	d.say("The cards of two shoots are copied into the working folder, file by file, each made as it is written. Copyhold does not wait for the end.")
	d.blank()
	if d.cards, err = d.offload(ctx, d.files); err != nil {
		return err
	}
	d.figures("offloaded", d.cards.files, d.cards.bytes, "in %s, %s", seconds(d.cards.took()), rate(d.cards.bytes, d.cards.took()))
	st, err := d.client.Status(ctx)
	if err != nil {
		return err
	}
	for _, name := range []string{slate, attic} {
		drive := driveOf(st, name)
		d.figures("verified on "+name+" by then", drive.Copies, drive.CopiesBytes, "")
	}
	held, st, err := d.untilHeld(ctx, d.cards, d.cards.ended)
	if err != nil {
		return err
	}
	for _, name := range []string{slate, attic} {
		drive := driveOf(st, name)
		d.figures("verified on "+name, drive.Copies, drive.CopiesBytes, "%s after the last file", seconds(held[name]))
	}
	d.line("%s%-49s%s after the last file", margin, "both listed and safe to unplug", seconds(time.Since(d.cards.ended)))
	return d.covered(st, media.FerryCrossing, media.TernIsland)
}

// untilHeld waits until both drives hold and list everything, and tells how long
// after since each held it verified.
func (d *day) untilHeld(ctx context.Context, all haul, since time.Time) (map[string]time.Duration, api.Status, error) {
	held := map[string]time.Duration{}
	what := fmt.Sprintf("both drives hold all %s verified", count(all.files))
	st, err := d.until(ctx, what, func(st api.Status) bool {
		safe := true
		for _, name := range []string{slate, attic} {
			drive := driveOf(st, name)
			if _, before := held[name]; !before && drive.Copies == all.files && drive.WantedFiles == 0 {
				held[name] = time.Since(since)
			}
			safe = safe && drive.SafeToUnplug
		}
		return safe && len(held) == 2
	})
	if err != nil {
		return nil, st, err
	}
	return held, st, agree(st, all)
}

// agree holds the daemon's counts against what was written.
func agree(st api.Status, all haul) error {
	if len(st.Working) != 1 || st.Working[0].Files != all.files || st.Working[0].Bytes != all.bytes {
		return fmt.Errorf("the working folder has %d files and %d bytes, and the status says %+v", all.files, all.bytes, st.Working)
	}
	for _, name := range []string{slate, attic} {
		if drive := driveOf(st, name); drive.Copies != all.files || drive.CopiesBytes != all.bytes {
			return fmt.Errorf("of %d files and %d bytes, %q is said to hold %d and %d", all.files, all.bytes, name, drive.Copies, drive.CopiesBytes)
		}
	}
	return nil
}

// covered says how shoots stand, and objects if that is not well.
func (d *day) covered(st api.Status, names ...string) error {
	d.blank()
	for _, name := range names {
		s := shootOf(st, name)
		if s.Standing != "covered" || s.Copies < d.cfg.Policy.Copies || s.OffSite < d.cfg.Policy.OffSite {
			return fmt.Errorf("the shoot %q should be covered: %+v", name, s)
		}
		d.line("%s%-29s%s: %d copies, %d of them at home", margin, name, s.Standing, s.Copies, s.OffSite)
	}
	return nil
}

// checkOutside has every copy read by a program that is not ours.
func (d *day) checkOutside(ctx context.Context) error {
	if d.eyes.b3sum == "" {
		d.say("b3sum is not installed, so the demo itself reads every copy again and compares it with the lists on the drive. With b3sum it would be somebody else's word.")
	} else {
		d.say("The lists on each drive are plain checksum lists. b3sum, which is not part of Copyhold, reads every copy and compares.")
	}
	d.blank()
	for _, name := range []string{slate, attic} {
		v, err := d.eyes.check(ctx, d.at(name))
		switch {
		case err != nil:
			return err
		case len(v.failed) > 0:
			return fmt.Errorf("%s finds %q damaged on %q", d.eyes.name(), v.failed, name)
		case v.ok != d.cards.files:
			return fmt.Errorf("%s finds %d files OK on %q, and there should be %d", d.eyes.name(), v.ok, name, d.cards.files)
		}
		d.line("%s%-27s%6d OK of %s", margin, d.eyes.name()+" on "+name, v.ok, count(d.cards.files))
	}
	return nil
}
