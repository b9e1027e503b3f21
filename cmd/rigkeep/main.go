// Rigkeep keeps the tunes of motorised handheld camera stabilisers in a
// git-backed library. This package reads flags, makes one call and renders one
// answer; no rule of the trade lives here. One file holds one verb.
package main

import "os"

func main() { os.Exit(Main(os.Args, osEnv())) }
