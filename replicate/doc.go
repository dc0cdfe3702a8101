// Package replicate decides. It holds the vocabulary of Copyhold and every
// decision the program takes about files, drives, shoots and notices, as pure
// functions of their arguments: no operating system, network, database, clock
// or log is in reach of it. Time comes in as an argument, and every decision
// is a value that says why.
//
// # The promises
//
// They are numbered once, here; code and tests cite them.
//
//   - P1 Sources are only read. No working folder and no card is ever written.
//     Restore alone writes, where it is told to, and never over a different file.
//   - P2 A final name is whole. A name outside .copyhold/ on a drive holds a
//     complete, checked file or does not exist.
//   - P3 Nothing is lost by replacing. Nothing on a drive is overwritten or
//     removed unless its old content is kept first. A deletion on the working
//     drive deletes nothing anywhere.
//   - P4 Verified means read back from the drive itself, past the page cache,
//     and equal to the digest of what was read from the source.
//   - P5 Any instant may be the last. Power loss, a pulled cable, a killed
//     process, a full disk break none of these, and work goes on by itself
//     afterwards. A failed fsync is never retried on the same file: the partial
//     copy is dropped and made again from the source.
//   - P6 The ledger never claims more than the drives hold. Disk first, ledger
//     second. Losing the ledger loses no file and is repaired from the drives'
//     own lists.
//   - P7 Never outside the drive. No path, link or mount leads a write off the
//     adopted drive: not into the empty folder that a pulled drive leaves
//     behind, not onto an unknown or cloned drive, not through a link.
//   - P8 Counts are honest. Two partitions, or two folders, of one device are
//     one device. What could not be stored, or was only written and not yet
//     read back, is not a copy. Every figure about an absent drive carries the
//     date it was true.
//
// # The words
//
//	working folder  a folder on the working drive that holds the shoots
//	shoot           one folder directly in a working folder; files directly in
//	                the working folder belong to the shoot "(loose files)"
//	drive           a place adopted to hold copies: a volume, or a folder on one
//	place           with-me, home or off-site: where the drive usually is
//	copy            one drive's holding of one file's content
//	verified        read back from that drive and equal to the source (P4)
//	wanted          a copy the policy asks for and the drive does not hold yet;
//	                the queue is the set of wanted copies, derived, never stored
//	kept version    earlier content of a path, kept on the drive
//	let go          deleted from a shoot that is still on the working drive
//	archived        a shoot whose folder has left the working drive whole
//	damaged         a copy that no longer reads back as it was verified
//	released        a drive that was flushed and closed: safe to unplug
//	ledger          the database: what is known, never more than the drives hold
//
// # Where a decision is made
//
//	plan.go      what to do about one file on one drive, and which shoot first
//	settle.go    when a file has stopped changing
//	diff.go      what a scan found to be new, changed or gone
//	identity.go  which drive is which
//	tally.go     a shoot in brief: its files grouped by who holds them
//	coverage.go  how many copies a shoot has, and its standing
//	notice.go    what to tell the person, how loudly, and when to keep quiet
//	name.go      under which name a drive can store a file
//
// Package transfer carries the decisions out and is the only code that changes
// a drive; package daemon owns every goroutine and asks the questions.
package replicate
