package preset

import (
	"rigkeep/preset/file"
	"rigkeep/schema"
)

// ShopPart is a part of the shop, as its file has it.
type ShopPart struct {
	File string // name of the file without .toml
	Part
	Quantity int // -1 for not said
	Owner    string
}

// ReadShopPart reads the file of a part that has passed Validate, its mounts in the order of the file.
func ReadShopPart(name string, doc *file.Doc) ShopPart {
	f := schema.Flatten(doc.Tree())
	p := ShopPart{File: name, Part: decodePart(f, ""), Quantity: -1, Owner: f.Str("owner")}
	if n, ok := f.Num("quantity"); ok {
		p.Quantity = int(n)
	}
	p.From = name
	p.Mounts = inOrder(p.Mounts, mountOrder(doc, ""))
	return p
}
