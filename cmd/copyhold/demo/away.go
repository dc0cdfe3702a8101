package demo

import (
	"bytes"
	"context"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"time"

	"copyhold/cmd/copyhold/demo/media"
	"copyhold/daemon/api"
	"copyhold/replicate/lists"
)

// leave unplugs both drives.
func (d *day) leave(ctx context.Context) error {
	for _, name := range []string{attic, slate} {
		st, err := d.client.Status(ctx)
		if err != nil {
			return err
		}
		if !driveOf(st, name).SafeToUnplug {
			return fmt.Errorf("the drive %q is not safe to unplug: %+v", name, driveOf(st, name))
		}
		began := time.Now()
		if err := d.unplug(name); err != nil {
			return err
		}
		_, err = d.until(ctx, fmt.Sprintf("the drive %q is away", name), func(st api.Status) bool { return !driveOf(st, name).Online })
		if err != nil {
			return err
		}
		d.say("%s is unplugged; Copyhold knows %s later.", name, seconds(time.Since(began)))
	}
	return nil
}

// countAtNight offloads a shoot that no drive can take.
func (d *day) countAtNight(ctx context.Context) (err error) {
	d.say("A third shoot is offloaded. No drive is plugged in.")
	d.blank()
	if d.count, err = d.offload(ctx, d.night); err != nil {
		return err
	}
	d.figures("offloaded", d.count.files, d.count.bytes, "in %s, %s", seconds(d.count.took()), rate(d.count.bytes, d.count.took()))
	st, err := d.until(ctx, fmt.Sprintf("the one copy of %q is reported", nightCount), func(st api.Status) bool {
		_, told := oneCopy(st, nightCount)
		return told
	})
	if err != nil {
		return err
	}
	took := time.Since(d.count.began)
	n, _ := oneCopy(st, nightCount)
	after := time.Duration(d.cfg.Policy.WarnAfter)
	if early := after - took; n.Severity != "critical" || early > time.Second { // the ledger counts whole seconds
		return fmt.Errorf("the notice should be critical and come after %v, and was %s and came after %s", after, n.Severity, seconds(took))
	}
	d.blank()
	d.say("%s after its first file, the status says:", seconds(took))
	d.blank()
	d.wrapped(margin+margin, n.Severity+": "+n.Text)
	d.wrapped(margin+margin, n.Safe)
	d.wrapped(margin+margin, "to do: "+n.Do)
	return nil
}

// oneCopy is the notice about a shoot's only copy.
func oneCopy(st api.Status, shoot string) (api.Notice, bool) {
	for _, n := range st.Notices {
		if n.Code == "one-copy" && strings.HasSuffix(n.About, "/"+shoot) {
			return n, true
		}
	}
	return api.Notice{}, false
}

// edit changes a sidecar and lets a still go, with both drives away.
func (d *day) edit(ctx context.Context) error {
	stars, err := d.rerate(d.cast.edited)
	if err != nil {
		return err
	}
	if err := os.Remove(d.working(d.cast.deleted.Rel)); err != nil {
		return err
	}
	tern := int64(0)
	for _, f := range d.files {
		if strings.HasPrefix(f.Rel, media.TernIsland+"/") {
			tern++
		}
	}
	wanted := d.count.files + 1
	st, err := d.until(ctx, "the edit and the deletion are known", func(st api.Status) bool {
		return shootOf(st, media.TernIsland).Files == tern-1 &&
			driveOf(st, slate).WantedFiles == wanted && driveOf(st, attic).WantedFiles == wanted
	})
	if err != nil {
		return err
	}
	shoot, err := d.client.Shoot(ctx, media.TernIsland)
	if err != nil {
		return err
	}
	if shoot.LetGo != 1 {
		return fmt.Errorf("one still was let go of %q, not %d", media.TernIsland, shoot.LetGo)
	}
	d.say("%s gets %d stars, in as many bytes as before. %s is deleted: let go, no longer counted, and not touched on any drive.",
		filepath.Base(d.cast.edited.Rel), stars, filepath.Base(d.cast.deleted.Rel))
	d.say("What the absent drives lack is known:")
	d.blank()
	for _, name := range []string{slate, attic} {
		drive := driveOf(st, name)
		d.figures(name+" lacks", drive.WantedFiles, drive.WantedBytes, "last seen %s ago", seconds(time.Since(drive.LastSeen)))
	}
	return nil
}

// comeBack plugs the drives in and lets them catch up.
func (d *day) comeBack(ctx context.Context) error {
	d.say("Slate is plugged in first, then Attic. Nothing else has to be done: what each lacks is copied and read back.")
	d.blank()
	for _, name := range []string{slate, attic} {
		if err := d.catchUp(ctx, name); err != nil {
			return err
		}
		if name == attic {
			break
		}
		st, err := d.client.Status(ctx)
		if err != nil {
			return err
		}
		if n, told := oneCopy(st, nightCount); told {
			return fmt.Errorf("two devices hold %q, and still: %s", nightCount, n.Text)
		}
		d.say("The notice is over: %d copies of %q.", shootOf(st, nightCount).Copies, nightCount)
	}
	all, err := d.now()
	if err != nil {
		return err
	}
	_, st, err := d.untilHeld(ctx, all, time.Now())
	if err != nil {
		return err
	}
	if len(st.Notices) > 0 {
		return fmt.Errorf("all is well, and still: %+v", st.Notices)
	}
	if err := d.covered(st, media.FerryCrossing, media.TernIsland, nightCount); err != nil {
		return err
	}
	d.blank()
	return d.nothingLost()
}

// catchUp plugs a drive in and waits until it lacks nothing.
func (d *day) catchUp(ctx context.Context, name string) error {
	st, err := d.client.Status(ctx)
	if err != nil {
		return err
	}
	before := driveOf(st, name)
	began := time.Now()
	if err := d.plugIn(name); err != nil {
		return err
	}
	st, err = d.until(ctx, fmt.Sprintf("the drive %q has caught up", name), func(st api.Status) bool {
		drive := driveOf(st, name)
		return drive.Online && drive.WantedFiles == 0 && drive.SafeToUnplug
	})
	if err != nil {
		return err
	}
	took := time.Since(began)
	// One content was replaced, so its old copy was counted neither before nor after.
	after := driveOf(st, name)
	if got := after.Copies - before.Copies; got != before.WantedFiles {
		return fmt.Errorf("%q lacked %d files and got %d", name, before.WantedFiles, got)
	}
	d.figures(name+" caught up", before.WantedFiles, before.WantedBytes, "verified in %s", seconds(took))
	return nil
}

// now is what the working folder holds.
func (d *day) now() (h haul, err error) {
	all, err := filesIn(d.at(workingName))
	for _, rel := range all {
		fi, statErr := os.Stat(d.at(workingName, rel))
		if statErr != nil {
			return h, statErr
		}
		h.files, h.bytes = h.files+1, h.bytes+fi.Size()
	}
	return h, err
}

// nothingLost finds on both drives what the working folder has no more. (P3)
func (d *day) nothingLost() error {
	edited, err := content(d.cast.edited)
	if err != nil {
		return err
	}
	deleted, err := content(d.cast.deleted)
	if err != nil {
		return err
	}
	for _, name := range []string{slate, attic} {
		pattern := filepath.Join(filepath.FromSlash(lists.KeptDir), "*", workingName, filepath.FromSlash(d.cast.edited.Rel))
		kept, err := filepath.Glob(d.at(name, pattern))
		if err != nil {
			return err
		}
		if len(kept) != 1 {
			return fmt.Errorf("%q should keep one earlier version of %s, and keeps %q", name, d.cast.edited.Rel, kept)
		}
		if err := holds(kept[0], edited); err != nil {
			return err
		}
		if err := holds(d.onDrive(name, d.cast.deleted.Rel), deleted); err != nil {
			return err
		}
	}
	d.say("Both drives hold the new %s, keep the old one under %s, and still hold %s, which was let go.",
		filepath.Base(d.cast.edited.Rel), lists.KeptDir, filepath.Base(d.cast.deleted.Rel))
	return nil
}

// holds objects unless the file has that content.
func holds(name string, want []byte) error {
	got, err := os.ReadFile(name)
	if err == nil && !bytes.Equal(got, want) {
		err = fmt.Errorf("%s does not hold what it held when it was offloaded", name)
	}
	return err
}
