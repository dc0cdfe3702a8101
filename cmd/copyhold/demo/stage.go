package demo

import (
	"context"
	"errors"
	"fmt"
	"io/fs"
	"log/slog"
	"os"
	"path/filepath"
	"time"

	"copyhold/config"
	"copyhold/daemon"
	"copyhold/daemon/api"
)

// What lies in the demo's folder.
const (
	workingName = "Shoots"
	slate       = "Slate"
	attic       = "Attic"
	unplugged   = "unplugged" // where drives lie that are not plugged in
	stateName   = "state"
	configName  = "copyhold.toml"
	logName     = "daemon.log"
)

const (
	pollDrives = 100 * time.Millisecond
	askEvery   = 20 * time.Millisecond
)

// stage is the throw-away world: a working folder, two folders that stand for
// drives, and a daemon with a configuration and a state folder of its own.
type stage struct {
	dir      string
	made     bool // the folder was not there before
	cfg      config.Config
	patience time.Duration

	client *api.Client
	log    *os.File
	stop   context.CancelFunc // nil: no daemon runs
	ended  chan struct{}
	runErr error // of the daemon, once ended is closed
}

// build makes the folder and what lies in it. Nothing is left if it cannot.
func build(opt Options) (*stage, error) {
	s := &stage{patience: opt.patience}
	if err := s.settle(opt.Dir); err != nil {
		return nil, err
	}
	if err := s.furnish(); err != nil {
		return nil, errors.Join(err, s.remove())
	}
	return s, nil
}

// settle finds a folder that is empty, because all of it will be removed.
func (s *stage) settle(dir string) (err error) {
	if dir == "" {
		s.made = true
		if dir, err = os.MkdirTemp("", "copyhold-demo-"); err != nil {
			return fmt.Errorf("make a folder for the demo: %w", err)
		}
	} else if s.made, err = claim(dir); err != nil {
		return err
	}
	if dir, err = filepath.Abs(dir); err == nil {
		s.dir, err = filepath.EvalSymlinks(dir) // the daemon names drives by their real path
	}
	return err
}

// claim makes the folder, or takes one that is there and empty.
func claim(dir string) (made bool, err error) {
	err = os.Mkdir(dir, 0o755)
	if err == nil {
		return true, nil
	}
	entries, readErr := os.ReadDir(dir)
	switch {
	case !errors.Is(err, fs.ErrExist), readErr != nil:
		return false, fmt.Errorf("make a folder for the demo: %w", err)
	case len(entries) > 0:
		return false, &api.Fault{
			What:   fmt.Sprintf("the demo needs an empty folder, and %s is not empty", dir),
			Safe:   "nothing was changed",
			Do:     "name a folder that does not exist yet",
			Misuse: true,
		}
	}
	return false, nil
}

func (s *stage) furnish() (err error) {
	if _, err := api.SocketPath(s.at(stateName), os.Getenv); err != nil {
		return &api.Fault{
			What: fmt.Sprintf("%s cannot hold the demo's control socket: %v", s.dir, err),
			Safe: "nothing was changed", Do: "name a folder with a shorter path: --dir DIR",
		}
	}
	for _, name := range []string{workingName, slate, attic, unplugged} {
		if err := os.Mkdir(s.at(name), 0o755); err != nil {
			return err
		}
	}
	// Settling and the warning are quicker than anybody would want them, so that a day fits into seconds.
	text := fmt.Sprintf(`[[working]]
folder = %q

[policy]
copies     = 3
off_site   = 1
warn_after = "2s"

[watch]
settle = "300ms"
`, s.at(workingName))
	if err := os.WriteFile(s.at(configName), []byte(text), 0o644); err != nil {
		return err
	}
	s.cfg, err = config.Load(s.at(configName))
	return err
}

// at is the path of something in the demo's folder.
func (s *stage) at(names ...string) string {
	return filepath.Join(append([]string{s.dir}, names...)...)
}

// open starts the daemon and returns when it answers.
func (s *stage) open(version string) (err error) {
	if s.log, err = os.Create(s.at(logName)); err != nil {
		return err
	}
	// Not the caller's context: after an interrupt the steps end first, the daemon last.
	ctx, stop := context.WithCancel(context.Background())
	s.stop, s.ended = stop, make(chan struct{})
	ready := make(chan struct{})
	opt := daemon.Options{
		Config: s.cfg, StateDir: s.at(stateName), Version: version, Poll: pollDrives,
		Log:   slog.New(slog.NewTextHandler(s.log, nil)),
		Ready: func() { close(ready) },
	}
	go func() {
		s.runErr = daemon.Run(ctx, opt)
		close(s.ended)
	}()
	select {
	case <-ready:
	case <-s.ended:
		return errors.New("it ended at once") // close tells why
	}
	s.client, err = api.Dial(s.at(stateName))
	return err
}

// close stops the daemon and waits for it.
func (s *stage) close() error {
	var errs []error
	if s.stop != nil {
		s.stop()
		<-s.ended
		if s.runErr != nil {
			errs = append(errs, fmt.Errorf("the daemon: %w", s.runErr))
		}
		s.stop = nil
	}
	if s.log != nil {
		errs = append(errs, s.log.Close())
	}
	return errors.Join(errs...)
}

// remove leaves nothing behind, and looks whether that is so.
func (s *stage) remove() error {
	entries, err := os.ReadDir(s.dir)
	for _, e := range entries {
		err = errors.Join(err, os.RemoveAll(s.at(e.Name())))
	}
	if s.made {
		err = errors.Join(err, os.Remove(s.dir))
	}
	left, readErr := os.ReadDir(s.dir)
	if err == nil && len(left) == 0 && (errors.Is(readErr, fs.ErrNotExist) || !s.made) {
		return nil
	}
	return &api.Fault{
		What: fmt.Sprintf("the demo's folder could not be removed: %v", errors.Join(err, readErr)),
		Do:   "remove it yourself: " + s.dir,
	}
}

// unplug takes a drive away as a pulled cable would: its folder is gone.
func (s *stage) unplug(drive string) error { return os.Rename(s.at(drive), s.at(unplugged, drive)) }

func (s *stage) plugIn(drive string) error { return os.Rename(s.at(unplugged, drive), s.at(drive)) }

// until asks for the status until it is as wanted.
func (s *stage) until(ctx context.Context, what string, wanted func(api.Status) bool) (api.Status, error) {
	late := time.NewTimer(s.patience)
	defer late.Stop()
	tick := time.NewTicker(askEvery)
	defer tick.Stop()
	for {
		st, err := s.client.Status(ctx)
		if err != nil || wanted(st) {
			return st, err
		}
		select {
		case <-tick.C:
		case <-ctx.Done():
			return st, ctx.Err()
		case <-s.ended:
			return st, errors.New("the daemon ended")
		case <-late.C:
			return st, fmt.Errorf("waited %v in vain until %s", s.patience, what)
		}
	}
}

// driveOf is a drive as the status has it; the zero Drive if it has none.
func driveOf(st api.Status, name string) api.Drive {
	for _, d := range st.Drives {
		if d.Name == name {
			return d
		}
	}
	return api.Drive{}
}

// shootOf is a shoot as the status has it; the zero Shoot if it has none.
func shootOf(st api.Status, name string) api.Shoot {
	for _, s := range st.Shoots {
		if s.Name == name {
			return s
		}
	}
	return api.Shoot{}
}
