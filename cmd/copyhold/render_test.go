package main

import (
	"bytes"
	"flag"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"

	"copyhold/daemon/api"
)

var update = flag.Bool("update", false, "write the golden files anew")

// pages are the golden files. A page is shown at the widths that say something
// about it; 0 is no terminal.
var pages = []struct {
	name   string
	widths []int
	render func(*page)
}{
	{"status busy", []int{0, 80, 120, 50}, func(p *page) { renderStatus(p, busyStatus(), season()) }},
	{"status covered", []int{80}, func(p *page) { st, shoots := coveredStatus(); renderStatus(p, st, shoots) }},
	{"status offline", []int{80}, func(p *page) { _, shoots := coveredStatus(); renderStatus(p, offlineStatus(), shoots) }},
	{"status empty", []int{80}, func(p *page) { renderStatus(p, emptyStatus(), nil) }},
	{"status paused", []int{80}, func(p *page) { renderStatus(p, pausedStatus(), nil) }},
	{"status many drives", []int{80, 120}, func(p *page) { renderStatus(p, busyStatus(), manyDrives(season())) }},
	{"drive list", []int{0, 80}, func(p *page) { renderDriveList(p, driveList()) }},
	{"drive list offline", []int{80}, func(p *page) { p.offline = true; renderDriveList(p, api.Drives{Drives: offlineStatus().Drives}) }},
	{"drive list none", []int{80}, func(p *page) { renderDriveList(p, api.Drives{}) }},
	{"drive add", []int{80}, func(p *page) { renderAdopted(p, slate()) }},
	{"shoots", []int{80, 120}, func(p *page) { renderShoots(p, api.Shoots{Shoots: season()}, "") }},
	{"shoots none", []int{80}, func(p *page) { renderShoots(p, api.Shoots{}, "puffin") }},
	{"shoots of two folders", []int{80}, func(p *page) { renderShoots(p, api.Shoots{Shoots: twoFolders()}, "tern") }},
	{"shoot", []int{0, 80, 120}, func(p *page) { renderShoot(p, islandShoot()) }},
	{"shoot covered", []int{80}, func(p *page) { renderShoot(p, season()[0]) }},
	{"where", []int{0, 80}, func(p *page) { renderWhere(p, whereAnswer(), "tern") }},
	{"where offline", []int{80}, func(p *page) { p.offline = true; renderWhere(p, whereAnswer(), "tern") }},
	{"where none", []int{80}, func(p *page) { renderWhere(p, api.Where{}, "puffin") }},
	{"explain", []int{80}, func(p *page) { renderExplanation(p, explanation()) }},
	{"explain unknown", []int{80}, func(p *page) {
		renderExplanation(p, api.Explanation{Working: "Shoots", Path: "2026-11-25 Tern Island/nobody.mov", Note: "no such file was found"})
	}},
	{"resume", []int{80}, func(p *page) { renderResumed(p, busyStatus()) }},
	{"pause", []int{80}, func(p *page) { renderPaused(p, pausedStatus()) }},
}

func TestPages(t *testing.T) {
	for _, tt := range pages {
		for _, width := range tt.widths {
			t.Run(fmt.Sprint(tt.name, " ", width), func(t *testing.T) {
				var out bytes.Buffer
				tt.render(&page{out: &out, now: now, width: width})
				golden(t, fmt.Sprintf("%s %d.golden", tt.name, width), out.String())
				noLineOver(t, out.String(), width)
			})
		}
	}
}

func golden(t *testing.T, name, got string) {
	t.Helper()
	file := filepath.Join("testdata", strings.ReplaceAll(name, " ", "-"))
	if *update {
		if err := os.WriteFile(file, []byte(got), 0o644); err != nil {
			t.Fatal(err)
		}
		return
	}
	want, err := os.ReadFile(file)
	if err != nil {
		t.Fatal(err)
	}
	if diff := cmp.Diff(string(want), got); diff != "" {
		t.Errorf("%s (run with -update and read the diff; -want +got):\n%s", file, diff)
	}
}

// noLineOver lets only single words be longer than the page: paths and digests
// are never cut, for somebody will copy them.
func noLineOver(t *testing.T, text string, width int) {
	t.Helper()
	for line := range strings.Lines(text) {
		line = strings.TrimSuffix(line, "\n")
		isCopied := strings.Contains(line, "/") || strings.Contains(line, "BLAKE3")
		if width > 0 && cells(line) > width && !isCopied {
			t.Errorf("wider than %d cells: %q", width, line)
		}
		if line != strings.TrimRight(line, " ") {
			t.Errorf("spaces at the end: %q", line)
		}
	}
}

// Colour must not carry anything that a word does not say.
func TestColorsOnlyPaint(t *testing.T) {
	for _, tt := range pages {
		var colored, bare bytes.Buffer
		tt.render(&page{out: &colored, now: now, width: 80, color: true})
		tt.render(&page{out: &bare, now: now, width: 80})
		if diff := cmp.Diff(bare.String(), withoutColor(colored.String())); diff != "" {
			t.Errorf("%s: (-bare +colored)\n%s", tt.name, diff)
		}
	}
}

func withoutColor(s string) string {
	for _, st := range []style{strong, faint, bad, poor, good} {
		s = strings.ReplaceAll(s, "\x1b["+string(st)+"m", "")
	}
	return strings.ReplaceAll(s, "\x1b[0m", "")
}

func emptyStatus() api.Status {
	st := statusOf(nil)
	st.Working[0].Scanning, st.Working[0].Files, st.Working[0].Bytes, st.Drives = true, 0, 0, nil
	st.Notices = []api.Notice{{
		Code: "no-drive", Severity: "normal", Text: "no drive is adopted yet, so no copies are made",
		Safe: "the working folders are only read", Do: "adopt one: copyhold drive add DIR --name NAME",
	}}
	return st
}

func pausedStatus() api.Status {
	st := statusOf(nil)
	until := now.Add(days(1) / 12)
	st.Daemon.Paused, st.Daemon.PausedUntil = true, &until
	return st
}

func driveList() api.Drives {
	trouble := "the drive takes no writes"
	retired, red := slate(), attic()
	retired.Name, retired.Retired, retired.Online, retired.LastSeen = "Old Slate", true, false, before(days(400))
	red.Name, red.Online, red.Trouble, red.SharesWith, red.Damaged = "Red shelf, second from the left", true, &trouble, []string{"Slate", "Shoots"}, 2
	return api.Drives{Schema: api.Schema, Drives: []api.Drive{retired, slate(), attic(), red}}
}

func manyDrives(shoots []api.ShootDetail) []api.ShootDetail {
	for i := range shoots {
		for _, name := range []string{"Red", "Blue", "The heavy one in the cellar", "Green"} {
			extra := shoots[i].Shares[0]
			extra.Drive = name
			shoots[i].Shares = append(shoots[i].Shares, extra)
		}
	}
	return shoots
}

func twoFolders() []api.ShootDetail {
	shoots := season()[:4]
	shoots[1].Working = "Sound"
	shoots[2].Copies, shoots[2].Standing = 0, "one copy"
	return shoots
}
