package objects

import (
	"container/list"

	"github.com/go-git/go-git/v5/plumbing"
)

type cacheKey struct {
	p   *pack
	off int64
}

type cacheItem struct {
	key  cacheKey
	kind plumbing.ObjectType
	data []byte
}

// cache keeps the most recently used delta bases within a byte budget.
type cache struct {
	max, size int
	byKey     map[cacheKey]*list.Element
	order     list.List
}

func (c *cache) get(p *pack, off int64) (plumbing.ObjectType, []byte, bool) {
	el, ok := c.byKey[cacheKey{p, off}]
	if !ok {
		return 0, nil, false
	}
	c.order.MoveToFront(el)
	it := el.Value.(*cacheItem)
	return it.kind, it.data, true
}

func (c *cache) put(p *pack, off int64, kind plumbing.ObjectType, data []byte) {
	if len(data) > c.max/4 {
		return
	}
	if c.byKey == nil {
		c.byKey = map[cacheKey]*list.Element{}
	}
	k := cacheKey{p, off}
	if _, ok := c.byKey[k]; ok {
		return
	}
	c.byKey[k] = c.order.PushFront(&cacheItem{k, kind, data})
	c.size += len(data)
	for c.size > c.max {
		el := c.order.Back()
		it := el.Value.(*cacheItem)
		c.order.Remove(el)
		delete(c.byKey, it.key)
		c.size -= len(it.data)
	}
}
