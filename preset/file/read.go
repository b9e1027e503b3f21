package file

import (
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
)

// Read gives the bytes of a regular file of at most MaxBytes, and refuses all else in plain words without reading it:
// directories, devices, pipes, sockets, larger files. Links are followed. The error is an *Error that calls the file by name
// (the path if name is ""): class Missing if file not found, otherwise Damaged.
func Read(path, name string) ([]byte, error) {
	if name == "" {
		name = path
	}
	name = printable(name)
	// Asked before opening, since opening a pipe would wait for its other end.
	info, err := os.Stat(path)
	if err != nil {
		return nil, cannotRead(name, err)
	}
	if bad := regular(name, info); bad != nil {
		return nil, bad
	}
	f, err := os.Open(path)
	if err != nil {
		return nil, cannotRead(name, err)
	}
	defer f.Close()
	if info, err = f.Stat(); err != nil {
		return nil, cannotRead(name, err)
	}
	if bad := regular(name, info); bad != nil {
		return nil, bad
	}
	return ReadFrom(f, name)
}

// ReadFrom is Read for a stream, such as standard input: it reads no more than MaxBytes and refuses what is longer.
func ReadFrom(r io.Reader, name string) ([]byte, error) {
	data, err := io.ReadAll(io.LimitReader(r, MaxBytes+1))
	if err != nil {
		return nil, cannotRead(name, err)
	}
	if len(data) > MaxBytes {
		e := tooLarge(name, MaxBytes)
		e.What = "the file is too large"
		return nil, e
	}
	return data, nil
}

func regular(name string, info fs.FileInfo) *Error {
	kind := ""
	switch m := info.Mode(); {
	case m.IsRegular():
		if info.Size() > MaxBytes {
			return tooLarge(name, info.Size())
		}
		return nil
	case m.IsDir():
		kind = "a directory"
	case m&fs.ModeNamedPipe != 0:
		kind = "a pipe"
	case m&fs.ModeSocket != 0:
		kind = "a socket"
	case m&fs.ModeDevice != 0:
		kind = "a device"
	default:
		kind = "no regular file"
	}
	return &Error{File: name, What: fmt.Sprintf("this is %s", kind), Want: "a TOML file",
		Fix: "move it away, or restore the last saved revision of the file"}
}

func cannotRead(name string, err error) *Error {
	e := &Error{File: name, Cause: err, Want: "a TOML file"}
	var pe *fs.PathError
	switch {
	case errors.Is(err, fs.ErrNotExist):
		e.Class, e.What, e.Fix = Missing, "file not found", "check the name"
	case errors.Is(err, fs.ErrPermission):
		e.What, e.Fix = "no permission to read this file", "ask its owner, or correct its permissions"
	case errors.As(err, &pe):
		e.What, e.Fix = "cannot read the file: "+pe.Err.Error(), "try again, then check the disk"
	default:
		e.What, e.Fix = "cannot read the file: "+err.Error(), "try again, then check the disk"
	}
	return e
}
