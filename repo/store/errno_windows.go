package store

import (
	"errors"
	"syscall"

	"golang.org/x/sys/windows"
)

func isQuota(err error) bool { return errors.Is(err, windows.ERROR_DISK_QUOTA_EXCEEDED) }

var errNotDir error = syscall.ENOTDIR

// noHardLinks says whether a failed link means that there are none on this disk; the errors do not tell.
func noHardLinks(error) bool { return true }
