package buffer

import (
	"errors"
	"fmt"
	"os"
	"path/filepath"
)

// lockDir locks a folder until the file it returns is closed.
func lockDir(dir string) (*os.File, error) {
	f, err := os.OpenFile(filepath.Join(dir, "lock"), os.O_RDWR|os.O_CREATE, 0o600)
	if err != nil {
		return nil, err
	}
	held, err := tryLock(f)
	switch {
	case err != nil:
		return nil, errors.Join(fmt.Errorf("lock %s: %w", f.Name(), err), f.Close())
	case !held:
		return nil, errors.Join(fmt.Errorf("%s belongs to another node that is running; give each its own folder", dir), f.Close())
	}
	return f, nil
}
