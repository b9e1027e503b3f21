package store

import (
	"errors"
	"io/fs"
	"strings"
	"syscall"
)

// The classes of failure. Test for them with errors.Is; ExitClass gives the exit status each
// leads to.
var (
	ErrNotFound   = errors.New("not found")              // 3
	ErrBusy       = errors.New("busy")                   // 4: the lock was not free in time
	ErrChanged    = errors.New("changed since read")     // 4: a file is not as the caller read it
	ErrDiverged   = errors.New("diverged")               // 4: the branch holds other work
	ErrUnfinished = errors.New("unfinished")             // 4: detached, or plain git is in mid-operation
	ErrDamaged    = errors.New("damaged")                // 5: bytes that git would not have written
	ErrForeign    = errors.New("unsupported repository") // 5: a form of repository we could not keep intact
	ErrNoIdentity = errors.New("no author")              // 2
	ErrBadPath    = errors.New("bad path")               // 2
	ErrNothing    = errors.New("nothing to save")        // 1: all files are as in the last revision
	ErrUntrusted  = errors.New("not to be trusted")      // 5: a server that does not prove who it is
	ErrDevice     = errors.New("cannot write or read")   // 6: disk full, read-only; 4: no permission
	ErrNetwork    = errors.New("no answer")              // 6: the other side is not reached, or breaks off
	ErrRefused    = errors.New("refused")                // 4: the other side does not let us in, or does not take what we send
)

// Error is what the functions of this package return: a class, what was expected and what was
// found, the hint, and the paths concerned.
type Error struct {
	Kind  error    // one of the classes above
	Msg   string   // what is wrong, as a sentence without a full stop
	Hint  string   // what to do, as a sentence without a full stop; may be empty
	Paths []string // slash paths in the library, if the fault is about files
	Err   error    // the cause, if there is one below
}

func (e *Error) Error() string {
	s := e.Msg
	if e.Err != nil && !strings.Contains(s, e.Err.Error()) {
		s += " (" + e.Err.Error() + ")"
	}
	if e.Hint != "" {
		s += ". " + e.Hint
	}
	return s
}

// Unwrap gives the class and the cause.
func (e *Error) Unwrap() []error {
	if e.Err == nil {
		return []error{e.Kind}
	}
	return []error{e.Kind, e.Err}
}

// ExitClass gives the exit status for an error of this package: 0 for nil, 1 for nothing to
// save, 2 bad use, 3 no such thing, 4 conflict, busy or refused, 5 damaged or not to be trusted, 6 device or network; -1 if it is none
// of ours.
func ExitClass(err error) int {
	if err == nil {
		return 0
	}
	if errors.Is(err, ErrDevice) && errors.Is(err, fs.ErrPermission) {
		return 4 // refused
	}
	for _, c := range []struct {
		kind error
		code int
	}{
		{ErrNothing, 1}, {ErrNoIdentity, 2}, {ErrBadPath, 2}, {ErrNotFound, 3}, {ErrBusy, 4}, {ErrChanged, 4},
		{ErrDiverged, 4}, {ErrUnfinished, 4}, {ErrDamaged, 5}, {ErrForeign, 5}, {ErrUntrusted, 5}, {ErrDevice, 6},
		{ErrNetwork, 6}, {ErrRefused, 4},
	} {
		if errors.Is(err, c.kind) {
			return c.code
		}
	}
	return -1
}

// device turns a failed system call into an error with a hint.
func device(doing string, err error) error {
	if err == nil {
		return nil
	}
	if _, known := err.(*Error); known {
		return err
	}
	e := &Error{Kind: ErrDevice, Msg: doing + " failed", Err: err}
	switch {
	case errors.Is(err, syscall.ENOSPC):
		e.Msg, e.Hint = doing+" failed: the disk is full", "free some space, then repeat the command; the library is unchanged"
	case errors.Is(err, syscall.EROFS):
		e.Msg, e.Hint = doing+" failed: the disk is read-only", "Copy the library to a disk that can be written, or remount this one"
	case errors.Is(err, fs.ErrPermission):
		e.Msg, e.Hint = doing+" failed: no permission", "check who owns the folder; the library is unchanged"
	case isQuota(err):
		e.Msg, e.Hint = doing+" failed: your disk quota is used up", "free some space, then repeat the command; the library is unchanged"
	case errors.Is(err, fs.ErrNotExist):
		e.Hint = "a file disappeared while in use: check the disk, then repeat the command"
	}
	return e
}

// notSynced is for what is done already when the disk refuses the last sync.
func notSynced(what string, err error) error {
	if err == nil {
		return nil
	}
	return &Error{Kind: ErrDevice, Msg: what + ", but the disk did not confirm the write", Err: err,
		Hint: "check the disk before you rely on this save. Try: rigkeep check --git"}
}
