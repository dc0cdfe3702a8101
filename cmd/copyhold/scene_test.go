package main

import (
	"fmt"
	"time"

	"copyhold/daemon/api"
)

// The scene: a small crew records seabirds on Tern Island. "Slate" travels with
// them, "Attic" is at home. It is the evening of the last day.
var (
	zone = time.FixedZone("island", 3600)
	now  = time.Date(2026, 11, 25, 18, 3, 0, 0, zone)
)

func before(d time.Duration) time.Time { return now.Add(-d) }

func days(n int) time.Duration { return time.Duration(n) * 24 * time.Hour }

const (
	gb = 1_000_000_000
	tb = 1000 * gb
)

func slate() api.Drive {
	return api.Drive{
		ID: "d1", Name: "Slate", Place: "with-me", Online: true, Path: "/media/ana/SLATE",
		FreeBytes: 612 * gb, SizeBytes: 2 * tb, WantedFiles: 428, WantedBytes: 61 * gb, Copies: 9212, CopiesBytes: 1_280 * gb,
		LastSeen: now, LastVerified: before(days(41)), SharesWith: []string{},
		Activity: api.Activity{
			Doing: "copy", Path: "Shoots/2026-11-25 Tern Island/B-cam/B003_C011.mov",
			DoneBytes: 2_100_000_000, TotalBytes: 8_400_000_000, BytesPerSecond: 118_000_000, ETASeconds: 516,
		},
	}
}

func attic() api.Drive {
	return api.Drive{
		ID: "d2", Name: "Attic", Place: "home", Path: "/mnt/house/copies",
		FreeBytes: 3_100 * gb, SizeBytes: 8 * tb, WantedFiles: 1_852, WantedBytes: 240 * gb, Copies: 7788, CopiesBytes: 1_100 * gb,
		LastSeen: before(days(3)), LastVerified: before(days(88)), Activity: api.Activity{Doing: "idle"}, SharesWith: []string{},
	}
}

// shoot is one with all its files on the first of the counts, and so on.
func shoot(name, standing string, copies int, files, bytes int64, onSlate, onAttic int64) api.ShootDetail {
	s := api.ShootDetail{Shoot: api.Shoot{
		Working: "Shoots", Name: name, Files: files, Bytes: bytes, Copies: copies, Standing: standing,
		Since: before(40 * time.Minute), On: []string{},
	}}
	for _, d := range []struct {
		drive api.Drive
		held  int64
	}{{slate(), onSlate}, {attic(), onAttic}} {
		share := api.Share{
			Drive: d.drive.Name, Place: d.drive.Place, Online: d.drive.Online, LastSeen: d.drive.LastSeen,
			Files: d.held, Bytes: bytes / files * d.held, WantedFiles: files - d.held, WantedBytes: bytes / files * (files - d.held),
			Refused: []api.Refused{},
		}
		if d.held > 0 {
			share.Verified = before(days(2))
		}
		if d.held == files {
			s.On = append(s.On, d.drive.Name)
			s.OffSite += map[string]int{"home": 1}[d.drive.Place]
		}
		s.Shares = append(s.Shares, share)
	}
	return s
}

func season() []api.ShootDetail {
	shoots := []api.ShootDetail{
		shoot("2026-11-18 Tern Island arrival", "covered", 3, 212, 18*gb, 212, 212),
		shoot("2026-11-22 Guillemot cliffs, north side, from the boat", "short", 2, 1204, 160*gb, 1204, 0),
		shoot("2026-11-24 Tern Island, night calls", "short", 2, 220, 9*gb, 220, 0),
		shoot("2026-11-25 Tern Island", "one copy", 1, 640, 96*gb, 212, 0),
		shoot("(loose files)", "covered", 3, 2, 4_000_000, 2, 2),
	}
	shoots[0].Archived, shoots[0].Copies = true, 2
	for i := range 12 {
		name := fmt.Sprintf("2026-%02d-%02d Rehearsal at the harbour", 9-i/6, 28-i)
		shoots = append(shoots, shoot(name, "covered", 3, int64(300+i), int64(20+i)*gb, int64(300+i), int64(300+i)))
	}
	return shoots
}

func statusOf(shoots []api.ShootDetail) api.Status {
	since := before(5 * time.Hour)
	st := api.Status{
		Schema:  api.Schema,
		Daemon:  api.Daemon{Running: true, Since: &since, Version: "0.1.0"},
		Working: []api.Working{{Name: "Shoots", Path: "/media/ana/WORK/Shoots", Online: true, Settling: 3, Files: 9_640, Bytes: 1_340 * gb}},
		Drives:  []api.Drive{slate(), attic()},
	}
	for _, s := range shoots {
		st.Shoots = append(st.Shoots, s.Shoot)
	}
	return st
}

func busyStatus() api.Status {
	st := statusOf(season())
	st.Notices = []api.Notice{
		{
			Code: "one-copy", Severity: "critical", About: "Shoots/2026-11-25 Tern Island", Since: before(40 * time.Minute),
			Text: `428 of 640 files of the shoot "2026-11-25 Tern Island" exist only once, on the working drive`,
			Safe: "keep its cards unformatted until a second copy is verified", Do: `plug in "Attic"; copying starts by itself`,
		},
		{
			Code: "watch-limit", Severity: "normal", About: "Shoots", Since: before(5 * time.Hour),
			Text: `the system lets Copyhold watch only 8192 folders of "Shoots"; the rest is found by timed scans`,
			Safe: "every file is still found and copied, only later", Do: "raise the limit: sudo sysctl fs.inotify.max_user_watches=524288",
		},
		{
			Code: "skipped", Severity: "low", About: "Shoots/2026-11-24 Tern Island, night calls", Since: before(days(1)),
			Text: `1 link or special file(s) in the shoot "2026-11-24 Tern Island, night calls" are not copied`,
			Safe: "everything that is a plain file is copied",
		},
	}
	return st
}

func coveredStatus() (api.Status, []api.ShootDetail) {
	shoots := season()[5:]
	st := statusOf(shoots)
	st.Working[0].Settling = 0
	for i := range st.Drives {
		d := &st.Drives[i]
		d.WantedFiles, d.WantedBytes, d.Activity = 0, 0, api.Activity{Doing: "idle"}
		d.SafeToUnplug = d.Online
	}
	return st, shoots
}

func offlineStatus() api.Status {
	st, _ := coveredStatus()
	st.Daemon = api.Daemon{}
	st.Drives[0].Online, st.Drives[0].SafeToUnplug, st.Drives[0].LastSeen = false, false, before(30*time.Hour)
	st.Working[0].Online = false
	for i := range st.Shoots {
		st.Shoots[i].Since = before(days(20))
	}
	return st
}

func islandShoot() api.ShootDetail {
	s := season()[3]
	s.LetGo, s.Skipped, s.Unread = 12, 1, 3
	s.Missing = "needs 2 more copies on separate devices (has 1 of 3), 1 of them at home or off site"
	s.Shares[0].Refused = []api.Refused{{Files: 2, Cause: "the drive cannot store this name"}}
	s.Shares[0].Damaged = 1
	s.Folders = []api.FolderShare{
		{Folder: "", Files: 1, Bytes: 12_000, Held: []int64{1, 0}},
		{Folder: "Stills", Files: 503, Bytes: 21 * gb, Held: []int64{203, 0}},
		{Folder: "A-cam", Files: 88, Bytes: 48 * gb, Held: []int64{8, 0}},
		{Folder: "B-cam/CLIPS001 reel with a rather long name for a folder", Files: 48, Bytes: 27 * gb, Held: []int64{0, 0}},
	}
	return s
}

func whereAnswer() api.Where {
	return api.Where{
		Schema: api.Schema,
		Shoots: []api.ShootPath{{Working: "Shoots", Shoot: "2026-11-22 Tern Island", Files: 640, At: []api.Location{
			{Path: "/media/ana/WORK/Shoots/2026-11-22 Tern Island", Online: true, Files: 640, LastSeen: now},
			{Drive: "Slate", Place: "with-me", Path: "/media/ana/SLATE/Shoots/2026-11-22 Tern Island", Online: true, Files: 212, LastSeen: now, Verified: before(days(1))},
			{Drive: "Attic", Place: "home", Path: "/mnt/house/copies/Shoots/2026-11-22 Tern Island", Files: 640, LastSeen: before(days(3)), Verified: before(days(3))},
		}}},
		Files: []api.FilePath{{Working: "Shoots", Path: "2026-11-22 Tern Island/A-cam/A001_C004.mov", Bytes: 8_400_000_000, At: []api.Location{
			{Path: "/media/ana/WORK/Shoots/2026-11-22 Tern Island/A-cam/A001_C004.mov", Online: true, LastSeen: now},
			{Drive: "Attic", Place: "home", Path: "/mnt/house/copies/Shoots/2026-11-22 Tern Island/A-cam/A001_C004.mov", LastSeen: before(days(3)), Verified: before(days(3))},
		}}},
		More: 120,
	}
}

func explanation() api.Explanation {
	return api.Explanation{
		Schema: api.Schema, Working: "Shoots", Path: "2026-11-25 Tern Island/A-cam/take 1: cliff.mov", Bytes: 8_400_000_000,
		Modified: before(7 * time.Hour), Digest: "af1349b9f5f9a1a6a0404dea36dcc9499bcb25c9adc112b7cc9a93cae41f3262", Life: "here", Known: true,
		Note: "an original: an earlier version would be kept until told otherwise",
		Drives: []api.Decision{
			{Drive: "Slate", Action: "nothing (verified)", StoredAs: "2026-11-25 Tern Island/A-cam/take 1%3A cliff.mov", Verified: before(2 * time.Hour)},
			{Drive: "Attic", Action: "wait (drive away)"},
			{Drive: "Red", Action: "wait (tried a moment ago: the drive refused it)", Until: now.Add(80 * time.Second)},
		},
	}
}
