package preset

import "rigkeep/schema"

// ShopPart is a part of the shop, as its file has it.
type ShopPart struct {
	File string // name of the file without .toml
	Part
	Quantity int // -1 for not said
	Owner    string
}

func decodeShopPart(name string, doc schema.Tree) ShopPart {
	f := schema.Flatten(doc)
	p := ShopPart{File: name, Part: decodePart(f, ""), Quantity: -1, Owner: f.Str("owner")}
	if n, ok := f.Num("quantity"); ok {
		p.Quantity = int(n)
	}
	p.From = name
	return p
}
