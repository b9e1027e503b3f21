package store

import (
	"context"
)

// tidyAt is how many loose objects may gather before packing them pays: a save leaves six or
// so, and up to here neither git nor we are slower for it.
var tidyAt = 2000

// NeedsTidy says whether so many loose objects have gathered that Tidy should be called, as
// after a few hundred saves. It is a guess from one folder, and cheap. Save calls Tidy then.
func (l *Lib) NeedsTidy() bool { return l.store.LooseEstimate() > tidyAt }

// Tidy packs loose objects into one pack and joins small packs when there are many, as `git gc`
// would, but without needing git. It may be interrupted at any point and nothing is lost. It gives the
// number of objects packed. Readers are not disturbed; writers wait.
//
// Errors: ErrBusy, ErrDamaged if an object is not what its id says, ErrDevice.
func (l *Lib) Tidy(ctx context.Context) (packed int, err error) {
	unlock, err := l.lock(ctx)
	if err != nil {
		return 0, err
	}
	defer unlock()
	return l.tidy()
}

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
