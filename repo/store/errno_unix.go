//go:build unix

package store

import (
	"errors"
	"syscall"
)

func isQuota(err error) bool { return errors.Is(err, syscall.EDQUOT) }

var errNotDir error = syscall.ENOTDIR

// noHardLinks says whether a failed link means that there are none on this disk (link(2)).
func noHardLinks(err error) bool {
	for _, e := range []error{syscall.EPERM, syscall.ENOTSUP, syscall.EOPNOTSUPP, syscall.ENOSYS, syscall.EXDEV, syscall.EMLINK} {
		if errors.Is(err, e) {
			return true
		}
	}
	return false
}
