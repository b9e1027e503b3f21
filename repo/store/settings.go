package store

import (
	"bytes"
	"context"
	"errors"
	"io/fs"
	"path/filepath"
	"strings"

	"rigkeep/repo/internal/disk"
	"rigkeep/repo/internal/gitdir"
)

// AddSetting is one key and value for AddSettings.
type AddSetting struct{ Key, Value string }

// AddSettings puts settings under [section "subsection"] of the repository's git configuration,
// behind what is there, under git's lock for it: of two values for a key git takes the later. It
// reports whether anything was missing. The configuration of other Libs that are open is not
// read again.
//
// Errors: ErrBusy, ErrDevice.
func (l *Lib) AddSettings(ctx context.Context, section, subsection string, add ...AddSetting) (changed bool, err error) {
	unlock, err := l.lock(ctx)
	if err != nil {
		return false, err
	}
	defer unlock()
	name := filepath.Join(l.d.Common, "config")
	g, err := l.Writer().takeLock(l.Writer().newWaiter(ctx), name, "config")
	if err != nil {
		return false, err
	}
	defer g.release()
	raw, err := l.fs.ReadFile(name)
	if err != nil && !errors.Is(err, fs.ErrNotExist) {
		return false, device("reading git's configuration", err)
	}
	if err := l.d.Reread(raw); err != nil {
		return false, &Error{Kind: ErrDamaged, Msg: "unreadable git configuration", Err: err, Hint: "`git config --list` shows where it fails"}
	}
	var b bytes.Buffer
	for _, s := range add {
		if l.d.Setting(section, subsection, s.Key) != s.Value {
			b.WriteString("\t" + s.Key + " = " + gitdir.Quote(s.Value) + "\n")
		}
	}
	if b.Len() == 0 {
		return false, nil
	}
	if len(raw) > 0 && raw[len(raw)-1] != '\n' {
		raw = append(raw, '\n')
	}
	raw = append(raw, "["+section+" "+gitdir.Quote(subsection)+"]\n"...)
	raw = append(raw, b.Bytes()...)
	if err := l.d.Reread(raw); err != nil {
		return false, &Error{Kind: ErrBadPath, Msg: "that cannot be written into git's configuration", Err: err}
	}
	if err := g.fill(raw); err != nil {
		return false, device("writing git's configuration", err)
	}
	if err := g.commit(); err != nil {
		return false, device("writing git's configuration", err)
	}
	return true, notSynced("git's configuration is written", l.fs.SyncDir(l.d.Common))
}

// AddAttribute puts a line into info/attributes, which holds git's rules for files of this
// repository alone, unless it is there. It reports whether it was missing.
//
// Errors: ErrBusy, ErrDevice.
func (l *Lib) AddAttribute(ctx context.Context, line string) (changed bool, err error) {
	unlock, err := l.lock(ctx)
	if err != nil {
		return false, err
	}
	defer unlock()
	name := filepath.Join(l.d.Common, "info", "attributes")
	raw, err := l.fs.ReadFile(name)
	if err != nil && !errors.Is(err, fs.ErrNotExist) {
		return false, device("reading git's attributes", err)
	}
	for have := range strings.Lines(string(raw)) {
		if strings.TrimSpace(have) == line {
			return false, nil
		}
	}
	if len(raw) > 0 && raw[len(raw)-1] != '\n' {
		raw = append(raw, '\n')
	}
	if err := disk.MkdirAll(l.fs, filepath.Dir(name), 0o777); err != nil {
		return false, device("writing git's attributes", err)
	}
	raw = append(raw, line+"\n"...)
	temp := disk.TempName(l.stateDir("held"), "tmp_")
	err = disk.WriteSynced(l.fs, temp, raw, 0o666)
	if err == nil {
		if err = disk.Move(l.fs, temp, name, raw); err != nil {
			_ = l.fs.Remove(temp)
		}
	}
	if err != nil {
		return false, device("writing git's attributes", err)
	}
	return true, notSynced("git's attributes are written", l.fs.SyncDir(filepath.Dir(name)))
}
