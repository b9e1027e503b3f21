//go:build unix

package main

import (
	"os/exec"
	"syscall"
)

// maxrss gives the most memory that a finished process held, in KiB on Linux.
func maxrss(c *exec.Cmd) int64 {
	if u, ok := c.ProcessState.SysUsage().(*syscall.Rusage); ok {
		return int64(u.Maxrss)
	}
	return 0
}
