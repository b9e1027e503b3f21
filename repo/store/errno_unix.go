//go:build unix

package store

import (
	"errors"
	"syscall"
)

func isQuota(err error) bool { return errors.Is(err, syscall.EDQUOT) }

var errNotDir error = syscall.ENOTDIR
