package replicate

// FolderEvidence is what tells a working folder from another one at its path.
type FolderEvidence struct {
	Volume string // the volume's own UUID, empty where it has none
	Folder string // the folder itself: device and inode
	Empty  bool   // now: holds no shoot that is known; before: none was known
}

// DoubtFolder says why a working folder is not believed to be there, or nothing.
// Only one case is in doubt: shoots were known, the folder holds none of them now,
// and it is not the same folder. Then it is the mount point that an unplugged
// drive leaves behind, or another drive in its place, and nothing was deleted.
// The folder that is the same and empty was emptied by the person.
func DoubtFolder(before, now FolderEvidence) string {
	switch {
	case before.Empty || !now.Empty:
		return ""
	case before.Volume != "" && before.Volume == now.Volume:
		return ""
	case before.Volume == "" && now.Volume == "" && before.Folder == now.Folder:
		return ""
	default:
		return "another folder is in its place, without any of its shoots, so its drive is probably not plugged in; a new drive needs a name of its own in the configuration"
	}
}
