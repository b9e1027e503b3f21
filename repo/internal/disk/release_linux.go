package disk

import "syscall"

// Release tells the kernel that the pages of a mapped file are not needed for the moment. They
// stay in the file cache and come back at the next look, but are no longer counted as this
// process's memory.
func Release(data []byte) {
	if len(data) > 0 {
		_ = syscall.Madvise(data, syscall.MADV_DONTNEED)
	}
}
