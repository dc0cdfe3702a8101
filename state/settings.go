package state

import (
	"encoding/json"
	"fmt"
	"time"
)

// Pause is whether copying was paused; it outlives the daemon.
type Pause struct {
	On    bool
	Until time.Time // zero: until resumed
}

// Pause returns the pause in force.
func (t *Tx) Pause() (p Pause, err error) {
	err = t.setting("pause", &p)
	return p, err
}

// PutPause records a pause or its end.
func (t *Tx) PutPause(p Pause) error { return t.putSetting("pause", p) }

// WorkingFolder is where a working folder was when it was last scanned. It
// tells the folder from the empty one that an unplugged drive leaves behind.
type WorkingFolder struct {
	Path   string
	Volume string // the volume's own UUID, empty where it has none
	Folder string // device and inode, as the system words them
}

// WorkingFolder returns what is known of a working folder; the zero value when
// it was never scanned.
func (t *Tx) WorkingFolder(name string) (w WorkingFolder, err error) {
	err = t.setting("working "+name, &w)
	return w, err
}

// PutWorkingFolder records where a working folder is.
func (t *Tx) PutWorkingFolder(name string, w WorkingFolder) error {
	return t.putSetting("working "+name, w)
}

func (t *Tx) setting(key string, into any) error {
	v := t.tx.Bucket(metaBucket).Get([]byte(key))
	if v == nil {
		return nil
	}
	if err := json.Unmarshal(v, into); err != nil {
		return fmt.Errorf("read the setting %s: %w", key, err)
	}
	return nil
}

func (t *Tx) putSetting(key string, value any) error {
	v, err := json.Marshal(value)
	if err != nil {
		return err
	}
	return t.put(metaBucket, []byte(key), v)
}
