package main

import (
	"context"
	"path/filepath"
	"slices"

	"github.com/spf13/cobra"

	"copyhold/daemon/api"
)

// drivePlaces are those that a drive can be at, in the order people meet them.
var drivePlaces = []string{"with-me", "home", "off-site"}

func newDrive(c *cli) *cobra.Command {
	drive := &cobra.Command{
		Use:   "drive COMMAND",
		Short: "Adopt, list, rename, place, release and retire drives",
		Long: `A drive is a place that you gave to Copyhold to hold copies: a whole volume, or a
folder on one. It is known by a small file on it, so that it may be plugged in
anywhere, under any path.`,
		Example: `  copyhold drive add /media/ana/SLATE --name Slate
  copyhold drive list`,
		Args: knownCommand,
		RunE: showHelp,

		SuggestionsMinimumDistance: 2,
	}
	drive.AddCommand(newDriveAdd(c), newDriveList(c), newDriveRename(c), newDrivePlace(c), newDriveRelease(c), newDriveRetire(c))
	return drive
}

func newDriveAdd(c *cli) *cobra.Command {
	var add api.AddDrive
	cmd := offerJSON(c, &cobra.Command{
		Use:   "add DIR --name NAME [--place PLACE] [--separate] [--json]",
		Short: "Adopt a drive: copies are made to it from now on",
		Long: `Adopts DIR, the folder where a drive is mounted or any other folder, to hold
copies. It creates the folder .copyhold in DIR with the drive's identity and
lists; copies go beside it as plain files, in folders named like your working
folders and shoots. What is already in DIR stays as it is, and nothing in it is
ever overwritten.

PLACE is where the drive usually is: with-me, home or off-site.

Two folders on one device count as one copy, since they are lost together.
--separate counts DIR as a device of its own all the same: for a share whose
disks Copyhold cannot see, or for trying things out.`,
		Example: `  copyhold drive add /media/ana/SLATE --name Slate --place with-me
  copyhold drive add /mnt/house/copies --name Attic --place home --separate`,
		Args: arguments(1, 1, "the folder of one drive"),
		RunE: func(cmd *cobra.Command, args []string) error {
			if err := checkAdd(cmd, &add, args[0]); err != nil {
				return err
			}
			return c.addDrive(cmd.Context(), add)
		},
	})
	cmd.Flags().StringVar(&add.Name, "name", "", "what you call it: the `NAME` on its label, say")
	cmd.Flags().StringVar(&add.Place, "place", drivePlaces[0], "where it usually is: `PLACE` is with-me, home or off-site")
	cmd.Flags().BoolVar(&add.Separate, "separate", false, "count it as a device of its own whatever it shares")
	cmd.RegisterFlagCompletionFunc("place", cobra.FixedCompletions(drivePlaces, cobra.ShellCompDirectiveNoFileComp))
	cmd.RegisterFlagCompletionFunc("name", cobra.NoFileCompletions)
	return cmd
}

// checkAdd completes what was typed, or says what is missing.
func checkAdd(cmd *cobra.Command, add *api.AddDrive, dir string) error {
	if add.Name == "" {
		return misused(cmd, "a drive needs a name: --name NAME")
	}
	if err := checkPlace(cmd, add.Place); err != nil {
		return err
	}
	abs, err := filepath.Abs(dir)
	add.Path = abs
	return err
}

func checkPlace(cmd *cobra.Command, place string) error {
	if !slices.Contains(drivePlaces, place) {
		return misused(cmd, "%q is no place of a drive; it is one of %s", place, list(drivePlaces))
	}
	return nil
}

func (c *cli) addDrive(ctx context.Context, add api.AddDrive) error {
	return c.connected(func(s api.Service, running bool) error {
		d, err := s.AddDrive(ctx, add)
		if err != nil {
			return err
		}
		if add.Separate {
			c.say("note", "caution: "+quoted(d.Name)+" counts as a device of its own because you said so; if it shares a disk, one failure takes both copies")
		} else if len(d.SharesWith) > 0 {
			c.say("note", quoted(d.Name)+" is on one device with "+quotedList(d.SharesWith)+"; together they count as one copy")
		}
		if !running {
			c.say("note", "Copyhold is not running; copying to the drive begins when it does: copyhold run")
		}
		return show(c, oneDrive(d), func(p *page, _ api.Drives) { renderAdopted(p, d) })
	})
}

// oneDrive wraps a drive as the contract's answers have it.
func oneDrive(d api.Drive) api.Drives {
	return api.Drives{Schema: api.Schema, Drives: []api.Drive{d}}
}

func newDriveList(c *cli) *cobra.Command {
	return offerJSON(c, &cobra.Command{
		Use:   "list [--json]",
		Short: "Every drive: where it is, what it holds and still wants",
		Long: `Lists the adopted drives with their place, whether they are here, what they hold
and still want, their room, and whether they can be unplugged. Figures of a drive
that is away are those of the day it was last seen, which is given.`,
		Example: `  copyhold drive list
  copyhold drive list --json`,
		Args: arguments(0, 0, "no arguments"),
		RunE: func(cmd *cobra.Command, _ []string) error {
			ask := func(ctx context.Context, s api.Service) (api.Drives, error) { return s.Drives(ctx) }
			return answer(c, cmd, ask, renderDriveList)
		},
	})
}

func newDriveRename(c *cli) *cobra.Command {
	return offerJSON(c, &cobra.Command{
		Use:   "rename NAME NEW-NAME [--json]",
		Short: "Give a drive another name",
		Long: `Gives a drive another name. No copy on it moves; the new name is also written into
the drive's identity file.`,
		Example:           `  copyhold drive rename Slate "Slate 2"`,
		Args:              arguments(2, 2, "the drive's name and its new name"),
		ValidArgsFunction: c.complete(1, driveNames),
		RunE: func(cmd *cobra.Command, args []string) error {
			return c.changeDrive(cmd.Context(), api.ChangeDrive{Drive: args[0], Name: args[1]}, func(p *page, d api.Drive) {
				p.text(0, "The drive "+quoted(args[0])+" is now named "+quoted(d.Name)+".")
			})
		},
	})
}

func newDrivePlace(c *cli) *cobra.Command {
	return offerJSON(c, &cobra.Command{
		Use:   "place NAME PLACE [--json]",
		Short: "Say where a drive usually is: with-me, home or off-site",
		Long: `Says where a drive usually is. The policy can ask for copies away from the working
drive: those at home or off-site count as such, those with you do not.`,
		Example:           `  copyhold drive place Attic off-site`,
		Args:              arguments(2, 2, "the drive's name and its place"),
		ValidArgsFunction: c.complete(2, drivesThenPlaces),
		RunE: func(cmd *cobra.Command, args []string) error {
			if err := checkPlace(cmd, args[1]); err != nil {
				return err
			}
			return c.changeDrive(cmd.Context(), api.ChangeDrive{Drive: args[0], Place: args[1]}, func(p *page, d api.Drive) {
				p.text(0, "The drive "+quoted(d.Name)+" is now at the place "+d.Place+".")
			})
		},
	})
}

func newDriveRelease(c *cli) *cobra.Command {
	release := api.ReleaseDrive{}
	cmd := offerJSON(c, &cobra.Command{
		Use:   "release NAME [--unmount] [--json]",
		Short: "Let go of a drive: answers when it is safe to unplug",
		Long: `Finishes the file in hand, or drops it when that takes long, writes the drive's
lists, flushes and closes it, and answers when it is safe to unplug. Nothing more
is copied to it until it is plugged in again, or until: copyhold resume`,
		Example: `  copyhold drive release Slate
  copyhold drive release Slate --unmount`,
		Args:              arguments(1, 1, "the name of one drive"),
		ValidArgsFunction: c.complete(1, driveNames),
		RunE: func(cmd *cobra.Command, args []string) error {
			release.Drive = args[0]
			return c.connected(func(s api.Service, _ bool) error {
				d, err := s.ReleaseDrive(cmd.Context(), release)
				if err != nil {
					return err
				}
				return show(c, oneDrive(d), func(p *page, _ api.Drives) { renderReleased(p, d) })
			})
		},
	})
	cmd.Flags().BoolVar(&release.Unmount, "unmount", false, "unmount it as well")
	return cmd
}

// renderReleased says that the drive is safe to unplug, and what it will miss.
func renderReleased(p *page, d api.Drive) {
	p.text(0, "The drive "+quoted(d.Name)+" is flushed and closed: it is safe to unplug.")
	if d.WantedFiles > 0 {
		p.text(0, "It still wants "+filesAndSize(d.WantedFiles, d.WantedBytes)+"; that is copied when it is plugged in again.")
	}
}

func newDriveRetire(c *cli) *cobra.Command {
	return offerJSON(c, &cobra.Command{
		Use:   "retire NAME [--json]",
		Short: "Stop using a drive: its copies no longer count",
		Long: `Stops using a drive, because it is lost, worn out or wanted for something else.
Nothing on it is removed, but nothing more is copied to it and its copies no
longer count. Look at the status afterwards: shoots may have one copy less.`,
		Example:           `  copyhold drive retire Slate`,
		Args:              arguments(1, 1, "the name of one drive"),
		ValidArgsFunction: c.complete(1, driveNames),
		RunE: func(cmd *cobra.Command, args []string) error {
			return c.changeDrive(cmd.Context(), api.ChangeDrive{Drive: args[0], Retire: true}, func(p *page, d api.Drive) {
				p.text(0, "The drive "+quoted(d.Name)+" is retired: what is on it stays, and no longer counts as a copy.")
				p.text(0, "See what now has too few copies: copyhold status")
			})
		},
	})
}

func (c *cli) changeDrive(ctx context.Context, change api.ChangeDrive, done func(*page, api.Drive)) error {
	return c.connected(func(s api.Service, _ bool) error {
		d, err := s.ChangeDrive(ctx, change)
		if err != nil {
			return err
		}
		return show(c, oneDrive(d), func(p *page, _ api.Drives) { done(p, d) })
	})
}
