//go:build !linux && !darwin && !windows

package index

func creation(any) (ns int64, ok bool) { return 0, false }
