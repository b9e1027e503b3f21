// Package handover puts rigs with their tunes into one file that can be given to another person,
// and takes such a file in.
//
// # The file
//
// A handover is a zip file (see internal/parcel for its one form) with these members, in this order:
//
//	manifest.json       what it holds: format, tool, sender, revision, rigs, and of every member size and SHA-256
//	manifest.json.sig   the sender's SSH signature of the manifest, if it is signed
//	SHA256SUMS          the same sums, for `sha256sum -c SHA256SUMS`
//	README.txt          how to read and check it without Rigkeep
//	card.html           the rigs and tunes as a page, for a phone and for paper
//	history.bundle      the rigs' history as a git bundle, for `git clone history.bundle`
//	library/…           the files as they lie in a library: sheets, rigs, tunes, bench logs, jobs, units
//
// Of a job goes along what concerns these rigs. So it is with a unit, where a job pins one of the tunes to it, a
// tune names it, or one of its memories holds one: label, serials, firmware, memories, trouble note, and of what it
// held the entries of these tunes. An entry with no more than moment, person and memory says that something else
// is there since. Note and link address stay out. Jobs, units and photos have no history here.
//
// The same revision, sender and program give the same bytes (a signature of some kinds of key
// holds a random number, and differs).
//
// # The history
//
// The bundle does not hold the sender's history, but one extracted from it (store.Lib.Extract): the
// revisions that changed these rigs, their tunes, bench logs and gimbal sheets, with authors,
// times and messages as they were, and none of the other rigs' files. Its commits have ids of
// their own; the trailer Handover-Revision names the commit each was made from. One whose
// author or committer line is none that every program can read gets the nearest that is; Raw-Revision
// is then the commit it was made from, byte for byte, in base64. A library.toml
// that says nothing of the sender makes a clone of it a library.
//
// Extracting is repeatable: an extract taken into another library and extracted there gives the
// same ids, so two libraries find the revision where they parted, and accept merges from there.
//
// # Trust
//
// Nothing of a file is believed: Open reads the whole of it in memory, under limits, and checks
// every part against every other before anything is said about it. The texts are held to the
// catalogue, fingerprints are computed anew, and the rigs' files must be those at the tip of the
// history. Who sent it is known only from a signature by a key that the reader's own list names.
package handover
