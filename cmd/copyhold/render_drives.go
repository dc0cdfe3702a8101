package main

import (
	"strings"
	"time"

	"copyhold/daemon/api"
)

// renderDrives writes the drives in use: a row of figures each, and under it
// what the drive does or when the figures were true (P8).
func renderDrives(p *page, drives []api.Drive) {
	var used []api.Drive
	for _, d := range drives {
		if !d.Retired {
			used = append(used, d)
		}
	}
	if len(used) == 0 {
		return
	}
	p.head("Drives")
	driveTable(p, used, driveLines).fitted(p, "place", "files held").write(p)
}

func driveTable(p *page, drives []api.Drive, below func(api.Drive, time.Time) []string) table {
	t := table{indent: 2, columns: []column{
		{head: "name", shrink: 10}, {head: "place"}, {head: "now"},
		{head: "files held", right: true}, {head: "still wanted", right: true}, {head: "room", right: true},
	}}
	for _, d := range drives {
		t.rows = append(t.rows, row{
			cells: append([]cell{word(d.Name), word(d.Place), p.presence(d.Online, d.Retired)}, words(number(d.Copies), wanted(d), room(d))...),
			below: below(d, p.now),
		})
	}
	return t
}

func wanted(d api.Drive) string {
	if d.Retired || d.WantedFiles == 0 {
		return "nothing"
	}
	return filesAndSize(d.WantedFiles, d.WantedBytes)
}

func room(d api.Drive) string {
	if d.SizeBytes == 0 {
		return "unknown"
	}
	return size(d.FreeBytes) + " of " + size(d.SizeBytes)
}

// driveLines is what the columns cannot say.
func driveLines(d api.Drive, now time.Time) (lines []string) {
	if d.Trouble != nil && *d.Trouble != "" {
		lines = append(lines, "trouble: "+*d.Trouble)
	}
	if d.Damaged > 0 {
		lines = append(lines, count(d.Damaged, "copy is", "copies are")+" damaged and not counted")
	}
	if !d.Online {
		return append(lines, "last seen "+when(d.LastSeen, now)+"; figures as of then")
	}
	return append(append(lines, doing(d.Activity)...), unplug(d.SafeToUnplug))
}

func unplug(safe bool) string {
	if safe {
		return "safe to unplug now"
	}
	return "do not unplug it yet"
}

// doing is what a drive does. The sizes are those of one file, the time left is
// that of everything the drive wants.
func doing(a api.Activity) []string {
	verb, busy := map[string]string{"copy": "copying", "verify": "reading back"}[a.Doing]
	if !busy {
		return nil
	}
	var figures []string
	if a.TotalBytes > 0 {
		figures = append(figures, size(a.DoneBytes)+" of "+size(a.TotalBytes))
	}
	if a.BytesPerSecond > 0 {
		figures = append(figures, size(a.BytesPerSecond)+"/s")
	}
	if a.ETASeconds > 0 {
		figures = append(figures, "about "+lasting(a.ETASeconds)+" for all it wants")
	}
	switch {
	case a.Path == "" && len(figures) == 0:
		return []string{verb}
	case a.Path == "":
		return []string{verb + " " + strings.Join(figures, ", ")}
	case len(figures) == 0:
		return []string{verb + " " + a.Path}
	}
	return []string{verb + " " + a.Path, strings.Join(figures, ", ")}
}

// renderDriveList writes all drives, retired ones last, with all that is known.
func renderDriveList(p *page, a api.Drives) {
	if len(a.Drives) == 0 {
		p.title(plain, "No drive is adopted yet.")
		p.text(0, "Adopt one: copyhold drive add DIR --name NAME")
		return
	}
	var used, retired []api.Drive
	for _, d := range a.Drives {
		if d.Retired {
			retired = append(retired, d)
		} else {
			used = append(used, d)
		}
	}
	t := driveTable(p, append(used, retired...), driveParticulars)
	t.indent = 0
	t.fitted(p, "place", "files held").write(p)
}

// driveParticulars adds to driveLines what is too much for the status.
func driveParticulars(d api.Drive, now time.Time) []string {
	var lines []string
	if d.Retired {
		lines = append(lines, "retired: nothing is copied to it, and its copies do not count; last seen "+when(d.LastSeen, now))
	} else {
		lines = driveLines(d, now)
	}
	if d.Path != "" && d.Online {
		lines = append(lines, "at "+d.Path)
	} else if d.Path != "" {
		lines = append(lines, "was at "+d.Path)
	}
	if d.Copies > 0 {
		lines = append(lines, "holds "+size(d.CopiesBytes)+"; oldest verification "+day(d.LastVerified, now))
	}
	if len(d.SharesWith) > 0 {
		lines = append(lines, "on one device with "+quotedList(d.SharesWith)+": together they count as one copy")
	}
	return lines
}

func renderAdopted(p *page, d api.Drive) {
	p.title(plain, "The drive "+quoted(d.Name)+" ("+d.Place+") is adopted.")
	if d.SizeBytes > 0 {
		p.text(0, "It has room for "+size(d.FreeBytes)+" of "+size(d.SizeBytes)+".")
	}
	if d.WantedFiles > 0 {
		p.text(0, "It wants "+filesAndSize(d.WantedFiles, d.WantedBytes)+"; watch it with: copyhold status")
	}
}
