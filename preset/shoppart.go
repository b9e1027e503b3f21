package preset

import (
	"rigkeep/schema"
)

// ShopPart is a part of the shop, as its file has it.
type ShopPart struct {
	File string // name of the file without .toml
	Part
	Quantity int // -1 for not said
	Owner    string
}

// DecodeShopPart reads the file of a part that has passed Validate. order gives the names
// of its mounts in the order of the file; nil takes them by name.
func DecodeShopPart(name string, doc schema.Tree, order []string) ShopPart {
	f := schema.Flatten(doc)
	p := ShopPart{File: name, Part: decodePart(f, ""), Quantity: -1, Owner: f.Str("owner")}
	if n, ok := f.Num("quantity"); ok {
		p.Quantity = int(n)
	}
	p.From = name
	p.Mounts = inOrder(p.Mounts, order)
	return p
}
