package state

import (
	"errors"
	"testing"
	"time"
)

func TestSettings(t *testing.T) {
	l := newLedger(t)
	view(t, l, func(tx *Tx) error {
		pause, err := tx.Pause()
		folder, err2 := tx.WorkingFolder("Shoots")
		if pause != (Pause{}) || folder != (WorkingFolder{}) {
			t.Errorf("never set: %v, %v", pause, folder)
		}
		return errors.Join(err, err2)
	})
	paused := Pause{On: true, Until: noon.Add(time.Hour)}
	shoots := WorkingFolder{Path: "/media/ana/WORK/Shoots", Volume: "vol-1", Folder: "8:17:40"}
	record(t, l, func(tx *Tx) error { return errors.Join(tx.PutPause(paused), tx.PutWorkingFolder("Shoots", shoots)) })
	view(t, l, func(tx *Tx) error {
		pause, err := tx.Pause()
		folder, err2 := tx.WorkingFolder("Shoots")
		if pause != paused || folder != shoots {
			t.Errorf("got %v, %v", pause, folder)
		}
		if other, _ := tx.WorkingFolder("Archive"); other != (WorkingFolder{}) {
			t.Errorf("another folder is at %v", other)
		}
		return errors.Join(err, err2)
	})
}
