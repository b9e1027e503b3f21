// Package repo is a map of what lies below it; it holds no code.
//
//	store      objects, index, refs, files, history: the git-backed store, and its promises
//	library    what the store means: rigs by name, tunes by reference, plans, evidence, reviews
//	merge      three versions of a library merged by key, and the rules for what cannot be
//	handover   rigs as one file: written, read, accepted
//	transport  fetch and push: folder, git, http(s), ssh
//	bench      a program that measures the store beside plain git
package repo
