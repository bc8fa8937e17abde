package assess

import (
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"

	"lendkeep/reconcile/facts"
	"lendkeep/spec"
)

// What serves other machines can neither be plugged in elsewhere nor be taken from its
// driver before they have let go.
func TestFreeingATargetPort(t *testing.T) {
	for user, target := range map[string]bool{
		facts.TargetPort + " (scsi_host host12)": true,
		facts.TargetPort + " (nvmet port 1)":     true,
		"keyboard (usb 1-1)":                     false,
	} {
		remedies := strings.Join((&Case{}).freeing(Found{Controller: &spec.Controller{}}, facts.Use{Kind: facts.UseDevice, User: user}), "\n")
		assert.Equal(t, target, strings.Contains(remedies, "once they let go"), user)
		assert.Equal(t, !target, strings.Contains(remedies, "plug it in elsewhere"), user)
	}
}
