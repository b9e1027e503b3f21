//go:build race

package main

// raceOn says that the race detector is built in.
const raceOn = true
