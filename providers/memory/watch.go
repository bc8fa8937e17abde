package memory

import (
	"context"

	"lendkeep/reconcile/facts"
)

// InstallWatch sets what is installed of the service that watches.
func (h *Host) InstallWatch(_ context.Context, files facts.WatchFiles) error {
	return h.deed("install watch", func() error {
		h.survey.Watch.WatchFiles = files
		return nil
	})
}
