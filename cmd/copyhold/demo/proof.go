package demo

import (
	"context"
	"fmt"
	"path"
	"path/filepath"
	"slices"
	"time"

	"github.com/dustin/go-humanize"

	"copyhold/cmd/copyhold/demo/media"
	"copyhold/daemon/api"
	"copyhold/replicate/lists"
)

// rot flips a bit on Attic, and lets somebody else find it.
func (d *day) rot(ctx context.Context) error {
	at, err := flip(d.onDrive(attic, d.cast.rotten.Rel))
	if err != nil {
		return err
	}
	name := path.Join(workingName, d.cast.rotten.Rel)
	d.say("One bit flips on Attic, in byte %s of %s. Size and date stay as they were.", humanize.Comma(at), path.Base(name))
	d.blank()
	for _, drive := range []string{slate, attic} {
		v, err := d.eyes.check(ctx, d.at(drive))
		if err != nil {
			return err
		}
		var want []string
		if drive == attic {
			want = append(want, name)
		}
		if !slices.Equal(v.failed, want) {
			return fmt.Errorf("%s should find %q damaged on %q, and finds %q", d.eyes.name(), want, drive, v.failed)
		}
		d.line("%s%-27s%6d OK, %d damaged", margin, d.eyes.name()+" on "+drive, v.ok, len(v.failed))
	}
	d.line("%s%s", margin+margin, name)
	d.blank()
	d.say("Copyhold has not read that copy since it was verified, so it still counts it. Reading old copies again on a schedule and repairing them is a later step of Copyhold; the demo does not act it.")
	return nil
}

// compareAll holds every working file against its copies.
func (d *day) compareAll(ctx context.Context) error {
	d.say("Every file of the working folder is compared with its copy on each drive.")
	d.blank()
	for _, drive := range []string{slate, attic} {
		c, err := compare(ctx, d.at(workingName), d.at(drive, workingName))
		if err != nil {
			return err
		}
		var differ []string
		if drive == attic {
			differ = append(differ, d.cast.rotten.Rel)
		}
		if !slices.Equal(c.differ, differ) {
			return fmt.Errorf("on %q %q should differ, and %q do", drive, differ, c.differ)
		}
		if more := []string{d.cast.deleted.Rel}; !slices.Equal(c.more, more) {
			return fmt.Errorf("%q should hold %q besides, and holds %q", drive, more, c.more)
		}
		d.figures("compared on "+drive, c.files, c.bytes, "%d equal, %d rotten", c.files-int64(len(differ)), len(differ))
	}
	all, err := d.client.Shoots(ctx, "")
	if err != nil {
		return err
	}
	return d.table(all.Shoots)
}

// table is how everything stands at the end.
func (d *day) table(shoots []api.ShootDetail) error {
	const row = "%s%-26s %5s %8s %6s %6s %7s  %s"
	d.blank()
	d.line(row, margin, "shoot", "files", "size", slate, attic, "copies", "standing")
	for _, s := range shoots {
		held := map[string]int64{}
		for _, share := range s.Shares {
			held[share.Drive] = share.Files
		}
		d.line(row, margin, s.Name, humanize.Comma(s.Files), size(s.Bytes),
			humanize.Comma(held[slate]), humanize.Comma(held[attic]), humanize.Comma(int64(s.Copies)), s.Standing)
		if s.Standing != "covered" || held[slate] != s.Files || held[attic] != s.Files {
			return fmt.Errorf("the shoot %q should be covered at the end of the day: %+v", s.Name, s)
		}
	}
	if len(shoots) != 3 {
		return fmt.Errorf("there should be 3 shoots, not %d", len(shoots))
	}
	return nil
}

// whereToLook tells what is left and how to check it.
func (d *day) whereToLook() {
	d.blank()
	d.line("Everything is kept in")
	d.line("%s%s", margin, d.dir)
	d.line("The daemon's log is %s in it. What Copyhold knows:", logName)
	d.line("%scopyhold status --config '%s' --state '%s'", margin, d.at(configName), d.at(stateName))
	d.line("Check a shoot on each drive yourself; on %s one copy is rotten:", attic)
	for _, drive := range []string{slate, attic} {
		d.line("%scd '%s'", margin, d.at(drive))
		d.line("%sb3sum --check '%s'", margin, filepath.Join(filepath.FromSlash(lists.ListsDir), workingName, media.TernIsland+".b3"))
	}
}

func (d *day) goodbye(kept bool, took time.Duration) {
	d.blank()
	if kept {
		d.line("Every step held, in %s.", seconds(took))
		return
	}
	d.line("Every step held, in %s. The demo's folder is removed.", seconds(took))
}
