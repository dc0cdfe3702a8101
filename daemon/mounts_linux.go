package daemon

// mountsAnnounced: the mount table can be waited on, so that only plain folders
// are asked in a rhythm.
const mountsAnnounced = true
