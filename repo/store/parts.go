package store

// The methods of a store are told apart by what they are for. Each of these types is the open store seen for one
// purpose; it holds nothing of its own.
type (
	// Revisions reads one moment and the graph of revisions: commits, trees, what a name of one means.
	Revisions struct{ *Lib }
	// History reads a file or a key through time.
	History struct{ *Lib }
	// WorkTree has the files as they lie: read, written, and how they differ from the last revision.
	WorkTree struct{ *Lib }
	// Writer makes revisions and moves the branch, under git's locks, and finishes what a killed process left.
	Writer struct{ *Lib }
	// Exchange has objects come and go between libraries.
	Exchange struct{ *Lib }
)

func (l *Lib) Revisions() Revisions { return Revisions{l} }
func (l *Lib) History() History     { return History{l} }
func (l *Lib) Work() WorkTree       { return WorkTree{l} }
func (l *Lib) Writer() Writer       { return Writer{l} }
func (l *Lib) Exchange() Exchange   { return Exchange{l} }
