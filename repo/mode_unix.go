//go:build unix

package repo

// fileMode says whether the executable bit of a file means anything here.
const fileMode = "true"
