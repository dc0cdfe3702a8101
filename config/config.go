package config

import "time"

// Config is what the user decides. Drives are not in it: they are adopted, and
// known by their identity file.
type Config struct {
	Working []Working
	Policy  Policy
	Watch   Watch
	Limits  Limits
}

// Working is a folder on the working drive that holds the shoots.
type Working struct {
	// Folder is absolute and clean, in the form of this operating system.
	Folder string
	// Name is unique among the working folders, also on a drive that does not
	// tell capitals from small letters: it names their folder on every drive.
	Name string

	// at is where the file names the folder; the zero value if no file does.
	at place
}

// Policy is how many copies are wanted and how long they are trusted.
type Policy struct {
	// Copies is the number of separate devices wanted, the working drive's
	// included; at least 1.
	Copies int
	// OffSite is how many of these are to be away from the working drive; at
	// most Copies-1, for the working drive is never away from itself.
	OffSite int
	// WarnAfter is how long a shoot may stay on one device before it is said
	// aloud; zero means at once.
	WarnAfter Duration
	// VerifyEvery is how long a verified copy is believed; never zero.
	VerifyEvery Duration
	// KeepVersions is how long earlier versions of files other than originals
	// are kept; zero means that they may go at the next clearing.
	KeepVersions Duration
}

// Watch is how changes in the working folders are noticed.
type Watch struct {
	// Settle is how long a file must be quiet before it is read; never zero.
	Settle Duration
	// Rescan is the time between two full looks; never zero.
	Rescan Duration
	// Ignore holds valid patterns, matched against slash-separated paths below
	// the working folder. None of them ignores everything.
	Ignore []string
}

// Limits is what copying and verifying leave to the rest of the computer.
type Limits struct {
	// Rate is per drive; zero means no limit.
	Rate Rate
	// QuietHours is when verification is throttled; the zero value means never.
	QuietHours QuietHours
}

// Default returns the configuration of an empty file. It is not complete: at
// least one working folder is for the user to name.
func Default() Config {
	const day = Duration(24 * time.Hour)
	return Config{
		Policy: Policy{
			Copies:       3,
			OffSite:      1,
			WarnAfter:    Duration(30 * time.Minute),
			VerifyEvery:  90 * day,
			KeepVersions: 180 * day,
		},
		Watch: Watch{
			Settle: Duration(5 * time.Second),
			Rescan: Duration(time.Hour),
			Ignore: []string{"**/.DS_Store", "**/Thumbs.db", "**/*.tmp", "**/*.lock"},
		},
	}
}
