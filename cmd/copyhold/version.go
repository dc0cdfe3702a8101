package main

import (
	"runtime"
	"runtime/debug"

	"github.com/spf13/cobra"

	"copyhold/daemon/api"
)

// release is set by whoever builds one: -ldflags "-X main.release=1.2.3".
var release = ""

// version is the release's number, or what the build knows of itself.
func version() string {
	if release != "" {
		return release
	}
	if info, ok := debug.ReadBuildInfo(); ok && info.Main.Version != "" {
		return info.Main.Version
	}
	return "(devel)"
}

type versionAnswer struct {
	Schema  int    `json:"schema"`
	Version string `json:"version"`
	Go      string `json:"go"`
	System  string `json:"system"`
}

func newVersion(c *cli) *cobra.Command {
	return offerJSON(c, &cobra.Command{
		Use:   "version [--json]",
		Short: "The version of Copyhold, of Go, and the system it is built for",
		Long: `Shows the version of Copyhold, the version of Go it is built with, and the system
it is built for.`,
		Example: `  copyhold version`,
		Args:    arguments(0, 0, "no arguments"),
		RunE: func(*cobra.Command, []string) error {
			a := versionAnswer{api.Schema, version(), runtime.Version(), runtime.GOOS + "/" + runtime.GOARCH}
			return show(c, a, func(p *page, a versionAnswer) {
				p.line(0, "copyhold "+a.Version)
				p.line(0, a.Go+" "+a.System)
			})
		},
	})
}
