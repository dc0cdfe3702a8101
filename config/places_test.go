package config

import (
	"errors"
	"strings"
	"testing"
)

// TestLocate follows the XDG Base Directory Specification, version 0.8
// (https://specifications.freedesktop.org/basedir-spec/0.8/): "Basics" for paths
// that are not absolute, "Environment variables" for the defaults.
func TestLocate(t *testing.T) {
	const macHome = "/Users/ana/Library/Application Support/Copyhold"
	tests := []struct {
		name, goos, env, flagConfig, flagState string
		config, state                          string
	}{
		{name: "XDG defaults", goos: "linux", env: "HOME=/home/ana",
			config: "/home/ana/.config/copyhold/config.toml", state: "/home/ana/.local/state/copyhold"},
		{name: "XDG set", goos: "linux", env: "HOME=/home/ana XDG_CONFIG_HOME=/c XDG_STATE_HOME=/s/",
			config: "/c/copyhold/config.toml", state: "/s/copyhold"},
		{name: "XDG set, no home", goos: "linux", env: "XDG_CONFIG_HOME=/c XDG_STATE_HOME=/s",
			config: "/c/copyhold/config.toml", state: "/s/copyhold"},
		{name: "XDG relative is ignored", goos: "freebsd", env: "HOME=/home/ana XDG_CONFIG_HOME=c XDG_STATE_HOME=./s",
			config: "/home/ana/.config/copyhold/config.toml", state: "/home/ana/.local/state/copyhold"},
		{name: "XDG empty is unset", goos: "linux", env: "HOME=/home/ana/ XDG_CONFIG_HOME= XDG_STATE_HOME=",
			config: "/home/ana/.config/copyhold/config.toml", state: "/home/ana/.local/state/copyhold"},
		{name: "Mac", goos: "darwin", env: "HOME=/Users/ana XDG_CONFIG_HOME=/c",
			config: macHome + "/config.toml", state: macHome},
		{name: "Windows", goos: "windows", env: `APPDATA=C:\Users\ana\Roaming LOCALAPPDATA=C:\Users\ana\Local\`,
			config: `C:\Users\ana\Roaming\Copyhold\config.toml`, state: `C:\Users\ana\Local\Copyhold`},
		{name: "Windows share", goos: "windows", env: `APPDATA=\\nas\ana LOCALAPPDATA=C:/ana`,
			config: `\\nas\ana\Copyhold\config.toml`, state: `C:/ana\Copyhold`},
		{name: "environment beats usual", goos: "linux", env: "HOME=/home/ana COPYHOLD_CONFIG=/e/c.toml COPYHOLD_STATE=/e/s",
			config: "/e/c.toml", state: "/e/s"},
		{name: "flag beats environment", goos: "linux", env: "COPYHOLD_CONFIG=/e/c.toml COPYHOLD_STATE=/e/s",
			flagConfig: "c.toml", flagState: "s", config: "c.toml", state: "s"},
		{name: "each for itself", goos: "darwin", env: "HOME=/Users/ana COPYHOLD_STATE=/e/s",
			flagConfig: "/f/c.toml", config: "/f/c.toml", state: "/e/s"},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			got, err := Locate(tt.flagConfig, tt.flagState, environment(tt.env), tt.goos)
			if want := (Places{tt.config, tt.state}); err != nil || got != want {
				t.Errorf("got %+v, %v; want %+v", got, err, want)
			}
		})
	}
}

func TestLocateWithoutAHome(t *testing.T) {
	tests := []struct{ goos, env, flagConfig, want string }{
		{"linux", "", "", "locate the configuration file: no home folder is known: HOME is not set"},
		{"linux", "HOME=", "/c.toml", "locate the state folder: no home folder is known: HOME is not set"},
		{"linux", "HOME=ana", "", `locate the configuration file: no home folder is known: HOME is "ana", not an absolute path`},
		{"linux", "HOME=/", "", "locate the configuration file: no home folder is known: HOME is the root folder"},
		{"darwin", "XDG_CONFIG_HOME=/c", "", "locate the configuration file: no home folder is known: HOME is not set"},
		{"windows", `HOME=C:\ana LOCALAPPDATA=C:\ana`, "", "locate the configuration file: no home folder is known: APPDATA is not set"},
		{"windows", `APPDATA=C:ana`, "", `locate the configuration file: no home folder is known: APPDATA is "C:ana", not an absolute path`},
	}
	for _, tt := range tests {
		got, err := Locate(tt.flagConfig, "", environment(tt.env), tt.goos)
		if !errors.Is(err, ErrNoHome) || err.Error() != tt.want || got != (Places{}) {
			t.Errorf("%s %q: got %+v, %v; want %s", tt.goos, tt.env, got, err, tt.want)
		}
	}
}

// environment makes a getenv of "NAME=value NAME=value".
func environment(env string) func(string) string {
	values := map[string]string{}
	for _, pair := range strings.Fields(env) {
		name, value, _ := strings.Cut(pair, "=")
		values[name] = value
	}
	return func(name string) string { return values[name] }
}
