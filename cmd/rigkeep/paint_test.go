package main

import (
	"strings"
	"testing"

	"rigkeep/diffview/page"
)

// The colour of a cell stays with it where an empty column before it is dropped.
func TestColourFollowsItsColumn(t *testing.T) {
	x := table{head: true}
	x.add("rig", "lens", "unit", "changed")
	x.add("a-cam", "", "G1", "not saved")
	x.standing(3, page.Look)
	x.dropEmpty()
	got := x.fitted(paint{on: true}, "", 80, 20)
	if want := (paint{on: true}).verdict(page.Look, "not saved"); !strings.Contains(got, want) {
		t.Errorf("%q has no %q", got, want)
	}
}
