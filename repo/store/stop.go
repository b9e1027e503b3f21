package store

import (
	"context"
	"slices"
	"sync"
)

// writing counts the parts of this process's work that hold the library's lock, and with it git's.
var writing = struct {
	mu       sync.Mutex
	n        int
	stopping chan struct{} // closed by Stop
	idle     chan struct{} // closed when n is 0 after Stop
	locks    []string      // git's lock files that are taken
}{stopping: make(chan struct{}), idle: make(chan struct{})}

// Stop is for a process that was told to end: no further write begins, waits for locks end with
// context.Canceled, and the returned channel is closed when what was being written is finished
// or undone and its locks are gone.
func Stop() (quiet <-chan struct{}) {
	w := &writing
	w.mu.Lock()
	defer w.mu.Unlock()
	if !stopped() {
		close(w.stopping)
		if w.n == 0 {
			close(w.idle)
		}
	}
	return w.idle
}

// Left names the lock files that a process leaves behind if it ends now. The next rigkeep command
// in that library removes them.
func Left() []string {
	writing.mu.Lock()
	defer writing.mu.Unlock()
	return slices.Clone(writing.locks)
}

func stopped() bool {
	select {
	case <-writing.stopping:
		return true
	default:
		return false
	}
}

// beginWriting is called when the library's lock is taken. It fails when the process is to end.
func beginWriting() error {
	w := &writing
	w.mu.Lock()
	defer w.mu.Unlock()
	if stopped() {
		return context.Canceled
	}
	w.n++
	return nil
}

func endWriting() {
	w := &writing
	w.mu.Lock()
	defer w.mu.Unlock()
	if w.n--; w.n == 0 && stopped() {
		close(w.idle)
	}
}

func lockTaken(name string) {
	writing.mu.Lock()
	defer writing.mu.Unlock()
	writing.locks = append(writing.locks, name)
}

func lockGone(name string) {
	w := &writing
	w.mu.Lock()
	defer w.mu.Unlock()
	if i := slices.Index(w.locks, name); i >= 0 {
		w.locks = slices.Delete(w.locks, i, i+1)
	}
}
