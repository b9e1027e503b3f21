package store

// tidyAt is how many loose objects may gather before packing them pays: a save leaves six or
// so, and up to here neither git nor we are slower for it.
var tidyAt = 2000

// NeedsTidy says whether so many loose objects have gathered that Tidy should be called, as
// after a few hundred saves. It is a guess from one folder, and cheap. Save calls Tidy then.
func (l *Lib) NeedsTidy() bool { return l.store.LooseEstimate() > tidyAt }

// tidy is Tidy under the lock.
func (l *Lib) tidy() (packed int, err error) {
	var progress func(done, total int)
	if l.opt.OnProgress != nil {
		progress = func(done, total int) { l.opt.OnProgress("packing", done, total) }
	}
	packed, err = l.store.PackLoose(progress)
	if err == nil {
		_, err = l.store.JoinPacks(progress)
	}
	if err != nil {
		return packed, device("packing", l.objectError(err))
	}
	return packed, nil
}
