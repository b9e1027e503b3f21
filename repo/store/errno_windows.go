package store

import (
	"errors"
	"syscall"

	"golang.org/x/sys/windows"
)

func isQuota(err error) bool { return errors.Is(err, windows.ERROR_DISK_QUOTA_EXCEEDED) }

var errNotDir error = syscall.ENOTDIR
