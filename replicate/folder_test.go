package replicate

import "testing"

func TestDoubtFolder(t *testing.T) {
	before := FolderEvidence{Volume: "vol-1", Folder: "8:17:40"}
	for _, c := range []struct {
		name        string
		before, now FolderEvidence
		doubt       bool
	}{
		{"as it was", before, before, false},
		{"emptied by the person", before, FolderEvidence{Volume: "vol-1", Folder: "8:17:40", Empty: true}, false},
		{"emptied and made anew", before, FolderEvidence{Volume: "vol-1", Folder: "8:17:99", Empty: true}, false},
		{"the mount point that a drive leaves behind", before, FolderEvidence{Volume: "vol-0", Folder: "8:1:12", Empty: true}, true},
		{"the same, on a volume that tells nothing", before, FolderEvidence{Folder: "8:1:12", Empty: true}, true},
		{"moved to another drive, shoots and all", before, FolderEvidence{Volume: "vol-2", Folder: "8:33:2"}, false},
		{"no shoot was ever there", FolderEvidence{Volume: "vol-1", Empty: true}, FolderEvidence{Volume: "vol-0", Empty: true}, false},
		{"volumes that tell nothing, the same folder", FolderEvidence{Folder: "8:17:40"}, FolderEvidence{Folder: "8:17:40", Empty: true}, false},
		{"volumes that tell nothing, another folder", FolderEvidence{Folder: "8:17:40"}, FolderEvidence{Folder: "8:1:12", Empty: true}, true},
		{"a volume that told nothing tells now", FolderEvidence{Folder: "8:17:40"}, FolderEvidence{Volume: "vol-0", Folder: "8:17:40", Empty: true}, true},
	} {
		if why := DoubtFolder(c.before, c.now); (why != "") != c.doubt {
			t.Errorf("%s: doubt %q, want doubt %v", c.name, why, c.doubt)
		}
	}
}
