package lab

import (
	"errors"
	"fmt"
	"os/exec"
	"syscall"
)

// exfatServer is the program that serves exFAT: this kernel's own is not everywhere.
const exfatServer = "mount.exfat-fuse"

// server is the process behind a mounted exFAT drive. It is kept in the
// foreground, our own child, so that it has a pid that is surely its own and a
// death that can be waited for.
type server struct {
	cmd  *exec.Cmd
	dead bool
}

// serve mounts device on dir.
func serve(device, dir string) (*server, error) {
	path, err := tool(exfatServer)
	if err != nil {
		return nil, err
	}
	s := &server{cmd: exec.Command(path, "-d", device, dir)} // -d: stay in the foreground
	if err := s.cmd.Start(); err != nil {
		return nil, err
	}
	up := false
	eventually(func() bool { up = mountedAt(dir); return up || s.exited() })
	if up {
		return s, nil
	}
	return nil, errors.Join(fmt.Errorf("%s did not mount %s", exfatServer, device), s.kill())
}

// exited reports whether the process is over, without taking its status away.
func (s *server) exited() bool { return s.dead || over(s.cmd.Process.Pid) }

func (s *server) stop() error   { return s.cmd.Process.Signal(syscall.SIGSTOP) }
func (s *server) resume() error { return s.cmd.Process.Signal(syscall.SIGCONT) }

// kill ends the process and waits for that.
func (s *server) kill() error {
	if s.dead {
		return nil
	}
	if err := s.cmd.Process.Kill(); err != nil {
		return err
	}
	return s.reap()
}

// reap waits for the end of the process, whichever it is.
func (s *server) reap() error {
	err := waitAtMost(waitLimit, s.cmd.Process, s.cmd.Wait)
	s.dead = true
	var exit *exec.ExitError
	if errors.As(err, &exit) {
		return nil
	}
	return err
}

// serverLeaves waits for the server of an unmounted exFAT drive, which ends by
// itself when nobody holds anything on the drive, and fails if it does not.
func (d *Drive) serverLeaves() error {
	if d.server == nil {
		return nil
	}
	s := d.server
	d.server = nil
	if eventually(s.exited) {
		return s.reap()
	}
	return errors.Join(errors.New("its server goes on, so somebody holds something on the drive"), s.kill())
}
