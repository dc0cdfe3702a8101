package config

import (
	"errors"
	"fmt"
	"strings"
)

// ErrNoHome is returned by Locate when the environment does not tell where this
// user's files belong. There is no second guess: a ledger in a temporary folder
// or at the root would look like a lost one after the next start.
var ErrNoHome = errors.New("no home folder is known")

// Places are the two places that Copyhold needs on this computer. A path that
// the user gave is returned as given, relative ones too.
type Places struct {
	ConfigFile string
	// StateDir is for the ledger and the control socket.
	StateDir string
}

// Locate finds the places: a flag beats the environment (COPYHOLD_CONFIG,
// COPYHOLD_STATE), which beats the usual places of the system goos. It touches
// no file, and asks for the home folder only if a usual place is needed.
func Locate(flagConfig, flagState string, getenv func(string) string, goos string) (Places, error) {
	usual := usualPlaces{getenv: getenv, goos: goos}
	file, err := first(flagConfig, getenv("COPYHOLD_CONFIG"), usual.configFile)
	if err != nil {
		return Places{}, fmt.Errorf("locate the configuration file: %w", err)
	}
	dir, err := first(flagState, getenv("COPYHOLD_STATE"), usual.stateDir)
	if err != nil {
		return Places{}, fmt.Errorf("locate the state folder: %w", err)
	}
	return Places{ConfigFile: file, StateDir: dir}, nil
}

func first(flag, env string, usual func() (string, error)) (string, error) {
	switch {
	case flag != "":
		return flag, nil
	case env != "":
		return env, nil
	}
	return usual()
}

// usualPlaces knows three systems without running on them, which is why it
// does without path/filepath.
//
// Linux and its kin follow the XDG Base Directory Specification, version 0.8
// (https://specifications.freedesktop.org/basedir-spec/0.8/), sections
// "Environment variables" and "Basics": a path that is not absolute is ignored.
type usualPlaces struct {
	getenv func(string) string
	goos   string
}

func (u usualPlaces) configFile() (string, error) {
	switch u.goos {
	case "windows":
		return u.below("APPDATA", "Copyhold", "config.toml")
	case "darwin":
		return u.below("HOME", "Library", "Application Support", "Copyhold", "config.toml")
	}
	if base := u.getenv("XDG_CONFIG_HOME"); u.isAbs(base) {
		return u.join(base, "copyhold", "config.toml"), nil
	}
	return u.below("HOME", ".config", "copyhold", "config.toml")
}

func (u usualPlaces) stateDir() (string, error) {
	switch u.goos {
	case "windows":
		return u.below("LOCALAPPDATA", "Copyhold")
	case "darwin":
		return u.below("HOME", "Library", "Application Support", "Copyhold")
	}
	if base := u.getenv("XDG_STATE_HOME"); u.isAbs(base) {
		return u.join(base, "copyhold"), nil
	}
	return u.below("HOME", ".local", "state", "copyhold")
}

// below joins names to the folder that a variable must name. Accounts of
// services often have the root as their home; nobody's files belong there.
func (u usualPlaces) below(variable string, names ...string) (string, error) {
	base := u.getenv(variable)
	switch {
	case base == "":
		return "", fmt.Errorf("%w: %s is not set", ErrNoHome, variable)
	case !u.isAbs(base):
		return "", fmt.Errorf("%w: %s is %q, not an absolute path", ErrNoHome, variable, base)
	case strings.Trim(base, "/") == "":
		return "", fmt.Errorf("%w: %s is the root folder", ErrNoHome, variable)
	}
	return u.join(base, names...), nil
}

func (u usualPlaces) join(base string, names ...string) string {
	sep := "/"
	if u.goos == "windows" {
		sep = `\`
	}
	return strings.TrimRight(base, sep) + sep + strings.Join(names, sep)
}

func (u usualPlaces) isAbs(path string) bool {
	if u.goos != "windows" {
		return strings.HasPrefix(path, "/")
	}
	hasDrive := len(path) > 2 && path[1] == ':' && (path[2] == '\\' || path[2] == '/')
	return hasDrive || strings.HasPrefix(path, `\\`)
}
