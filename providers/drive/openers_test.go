package drive

import (
	"context"
	"errors"
	"os"

	"lendkeep/providers/holding"
	"lendkeep/reconcile/facts"
)

// visibleOpeners names those that can be seen. In a box the first process may be
// hidden from root; a real drive is not written then.
func visibleOpeners(ctx context.Context, devices []facts.Devno) ([]string, error) {
	list, err := holding.Openers(ctx, devices)
	if errors.Is(err, os.ErrPermission) {
		err = nil
	}
	return list, err
}
