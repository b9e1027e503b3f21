package main

import (
	"errors"
	"os"
	"os/exec"
	"path/filepath"
	"sync"
	"testing"
)

// scratch is where the test program keeps what its tests begin with, while it runs.
var scratch string

// tests are all of them, with scratch made before and taken away behind them.
type tests struct{ *testing.M }

func (m tests) Run() int {
	var err error
	if scratch, err = os.MkdirTemp("", "rigkeep-begun-"); err != nil {
		panic(err)
	}
	defer os.RemoveAll(scratch)
	return m.M.Run()
}

// begun is a folder that many tests begin with. The first of them fills it, and each gets a copy: to
// save what is in it anew takes a hundred times as long as to copy it.
type begun struct {
	once   sync.Once
	filled string
}

// copyTo fills an empty folder.
func (b *begun) copyTo(to string, fill func(dir string) error) (err error) {
	b.once.Do(func() {
		var dir string
		if dir, err = os.MkdirTemp(scratch, ""); err != nil {
			return
		}
		if err = fill(dir); err == nil {
			b.filled = dir
		}
	})
	if err == nil && b.filled == "" {
		err = errors.New("the test that had to fill the folder failed")
	}
	if err != nil {
		return err
	}
	return exec.Command("cp", "-a", b.filled+"/.", to).Run()
}

// madeDemo is what demoIn copies.
var madeDemo begun

// demoIn lays the demo into a folder, as "rigkeep demo harbour" does there, and gives its library.
// The scenario has its own clock, so that it is the same whenever it is made.
func demoIn(t testing.TB, top string) string {
	t.Helper()
	err := madeDemo.copyTo(top, func(dir string) error {
		if code, _, errs := run(t, dir, "demo", "harbour", "--quiet"); code != 0 {
			return errors.New(errs)
		}
		return nil
	})
	if err != nil {
		t.Fatal(err)
	}
	return filepath.Join(top, "harbour", "library")
}
