//go:build unix

package store

// fileMode says whether the executable bit of a file means anything here.
const fileMode = "true"
