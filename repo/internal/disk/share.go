package disk

import (
	"errors"
	"fmt"
	"io/fs"
	"os"
	"runtime"
	"strconv"
	"strings"
)

// Sharing is what git's core.sharedRepository asks for: 0 leaves permissions to the umask, above 0
// are bits that every file gets besides, below 0 the bits (negated) that it gets in their place.
type Sharing int

const (
	group    Sharing = 0o660
	everyone Sharing = 0o664
)

// ParseSharing reads a value of core.sharedRepository; "" is the key without a value. Source:
// git-config(1), core.sharedRepository.
func ParseSharing(v string) (Sharing, error) {
	switch v {
	case "umask":
		return 0, nil
	case "", "group":
		return group, nil
	case "all", "world", "everybody":
		return everyone, nil
	}
	n, err := strconv.ParseUint(v, 8, 16)
	switch {
	case err != nil:
		switch strings.ToLower(v) {
		case "true", "yes", "on":
			return group, nil
		case "false", "no", "off":
			return 0, nil
		}
		return 0, fmt.Errorf("core.sharedRepository is %q", v)
	case n <= 2:
		return []Sharing{0, group, everyone}[n], nil
	case n&0o600 != 0o600:
		return 0, fmt.Errorf("core.sharedRepository is %q, which would keep its owner from reading and writing", v)
	}
	return -Sharing(n & 0o666), nil
}

// of gives the mode that a file or folder of a mode gets. As git does, what its owner may not
// write nobody may, and who may read a folder may enter it.
func (s Sharing) of(mode fs.FileMode) fs.FileMode {
	bits := fs.FileMode(max(s, -s))
	if mode&0o200 == 0 {
		bits &^= 0o222
	}
	if mode&0o100 != 0 {
		bits |= bits & 0o444 >> 2
	}
	perm := mode.Perm() | bits
	if s < 0 {
		perm = bits
	}
	if mode.IsDir() {
		perm |= perm & 0o444 >> 2
		if perm&0o060 != 0 {
			perm |= fs.ModeSetgid // what is made in it belongs to the folder's group
		}
	}
	return perm | mode&(fs.ModeSetuid|fs.ModeSetgid|fs.ModeSticky)
}

// Share gives f with every file and folder that it makes opened to others as s says.
func Share(f FS, s Sharing) FS {
	if s == 0 || runtime.GOOS == "windows" {
		return f
	}
	return shared{f, s}
}

type shared struct {
	FS
	s Sharing
}

// adjust brings a file or folder that was just made to its permissions.
func (f shared) adjust(name string) error {
	st, err := f.Lstat(name)
	if err != nil {
		return err
	}
	const all = fs.ModePerm | fs.ModeSetuid | fs.ModeSetgid | fs.ModeSticky
	if want := f.s.of(st.Mode()); want != st.Mode()&all {
		return f.FS.Chmod(name, want)
	}
	return nil
}

func (f shared) OpenFile(name string, flag int, perm fs.FileMode) (File, error) {
	h, err := f.FS.OpenFile(name, flag, perm)
	if err != nil || flag&os.O_CREATE == 0 {
		return h, err
	}
	// Where it may have been there already, it can be somebody else's, with the permissions that
	// they gave it.
	if err := f.adjust(name); err != nil && (flag&os.O_EXCL != 0 || !errors.Is(err, fs.ErrPermission)) {
		_ = h.Close()
		if flag&os.O_EXCL != 0 {
			_ = f.Remove(name)
		}
		return nil, err
	}
	return h, nil
}

func (f shared) Mkdir(name string, perm fs.FileMode) error {
	if err := f.FS.Mkdir(name, perm); err != nil {
		return err
	}
	return f.adjust(name)
}

func (f shared) Chmod(name string, perm fs.FileMode) error {
	return f.FS.Chmod(name, f.s.of(perm))
}

// opened gives a file that was opened beside f the permissions that f gives to others, if it is ours.
func opened(f FS, name string) {
	if x, ok := f.(shared); ok {
		_ = shared{OS{}, x.s}.adjust(name)
	}
}
