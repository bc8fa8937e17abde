package memory

import (
	"context"

	"lendkeep/reconcile/facts"
)

// InstallWatch sets what is installed of the service that watches.
func (h *Host) InstallWatch(_ context.Context, files facts.WatchFiles) error {
	h.mu.Lock()
	defer h.mu.Unlock()
	h.survey.Watch.WatchFiles = files
	return h.changed()
}
