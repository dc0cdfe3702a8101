package main

import (
	"fmt"

	"copyhold/daemon/api"
)

// renderShoot writes one shoot: its standing, what does not count and why, then
// by drive and by folder.
func renderShoot(p *page, s api.ShootDetail) {
	p.title(standingStyles[s.Standing], s.Name+": "+standingWord(s.Shoot))
	p.text(0, filesAndSize(s.Files, s.Bytes)+"; working folder "+quoted(s.Working))
	p.text(0, fmt.Sprintf("%s, %d away from the working drive; so since %s",
		count(int64(s.Copies), "copy", "copies"), s.OffSite, stamp(s.Since, p.now)))
	if s.Missing != "" {
		p.text(0, s.Missing)
	}
	for _, line := range uncounted(s) {
		p.text(0, line)
	}
	renderShares(p, s)
	renderFolders(p, s)
}

// uncounted says what the figures leave out.
func uncounted(s api.ShootDetail) (lines []string) {
	if s.Unread > 0 {
		lines = append(lines, files(s.Unread)+" could not be read and "+isAre(s.Unread)+" not copied yet")
	}
	if s.LetGo > 0 {
		lines = append(lines, files(s.LetGo)+" let go: deleted from the shoot, still on the drives, not counted")
	}
	if s.Skipped > 0 {
		lines = append(lines, count(s.Skipped, "link or special file", "links and special files")+" skipped: never copied, not counted")
	}
	return lines
}

func isAre(n int64) string {
	if n == 1 {
		return "is"
	}
	return "are"
}

func renderShares(p *page, s api.ShootDetail) {
	if len(s.Shares) == 0 {
		p.blank()
		p.text(0, "No drive is adopted yet: copyhold drive add DIR --name NAME")
		return
	}
	p.head("Drives")
	t := table{indent: 2, columns: []column{
		{head: "name", shrink: 10}, {head: "place"}, {head: "now"}, {head: "files", right: true}, {head: "size", right: true}, {head: "still wanted", right: true},
	}}
	for _, share := range s.Shares {
		still := "nothing"
		if share.WantedFiles > 0 {
			still = filesAndSize(share.WantedFiles, share.WantedBytes)
		}
		t.rows = append(t.rows, row{
			cells: append([]cell{word(share.Drive), word(share.Place), p.presence(share.Online, false)},
				words(ofAll(share.Files, s.Files), size(share.Bytes), still)...),
			below: shareLines(p, share),
		})
	}
	t.fitted(p, "place", "size").write(p)
}

func shareLines(p *page, share api.Share) (lines []string) {
	if share.Files > 0 {
		lines = append(lines, "oldest verification "+day(share.Verified, p.now))
	}
	if share.Damaged > 0 {
		lines = append(lines, count(share.Damaged, "copy is", "copies are")+" damaged and not counted")
	}
	for _, r := range share.Refused {
		lines = append(lines, files(r.Files)+" not brought there: "+r.Cause)
	}
	if !share.Online {
		lines = append(lines, "last seen "+when(share.LastSeen, p.now)+"; figures as of then")
	}
	return lines
}

func renderFolders(p *page, s api.ShootDetail) {
	if len(s.Folders) == 0 {
		return
	}
	p.head("Folders, and how many files each drive holds")
	t := table{indent: 2, columns: []column{{head: "folder", shrink: 18}, {head: "files", right: true}, {head: "size", right: true}}}
	for _, share := range s.Shares {
		t.columns = append(t.columns, column{head: share.Drive, right: true, shrink: 10})
	}
	for _, f := range s.Folders {
		name := f.Folder
		if name == "" {
			name = "(directly in it)"
		}
		line := words(name, number(f.Files), size(f.Bytes))
		for i := range s.Shares {
			var n int64
			if i < len(f.Held) {
				n = f.Held[i]
			}
			line = append(line, word(ofAll(n, f.Files)))
		}
		t.rows = append(t.rows, row{cells: line})
	}
	t.fitted(p, "size", "files").write(p)
}
