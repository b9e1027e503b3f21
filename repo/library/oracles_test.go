package library

import "context"

// Create puts a new file into the work tree; one that is there already is not
// replaced.
func (l *Library) Create(ctx context.Context, path string, text []byte) error {
	defer l.Names().forget()
	if _, err := l.Parse(path, text, nil); err != nil {
		return err
	}
	return l.Store.Work().WriteFile(ctx, path, text, nil)
}
