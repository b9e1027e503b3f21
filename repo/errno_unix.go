//go:build unix

package repo

import (
	"errors"
	"syscall"
)

func isQuota(err error) bool { return errors.Is(err, syscall.EDQUOT) }

var errNotDir error = syscall.ENOTDIR
