package mass

import (
	"fmt"
	"rigkeep/preset/domain"
	"strings"
)

// Without returns the parts but those that are named: by name, with or without
// its slot before it, or by a slot that holds a single part; capitals do not matter.
//
// Errors: *domain.Error for a name that no part has, or one that several have.
//
// Source: definition.
func Without(parts []Part, names []string) ([]Part, error) {
	gone := map[int]bool{}
	for _, n := range names {
		var hits []int
		for _, match := range []func(Part) bool{
			func(p Part) bool { return strings.EqualFold(p.Name, n) },
			func(p Part) bool { return strings.EqualFold(strings.TrimPrefix(p.Name, p.Slot+": "), n) },
			func(p Part) bool { return n != "" && strings.EqualFold(p.Slot, n) },
		} {
			for i, p := range parts {
				if match(p) {
					hits = append(hits, i)
				}
			}
			if hits != nil {
				break
			}
		}
		switch len(hits) {
		case 0:
			return nil, unknownPart(parts, n)
		case 1:
			gone[hits[0]] = true
		default:
			return nil, &domain.Error{Model: "mass", Name: "part " + n, Want: "one part", Do: fmt.Sprintf("%d parts are called so; give their full names, or different ones", len(hits))}
		}
	}
	var out []Part
	for i, p := range parts {
		if !gone[i] {
			out = append(out, p)
		}
	}
	return out, nil
}
