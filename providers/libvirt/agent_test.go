//go:build libvirt_dlopen

package libvirt

import (
	"errors"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"libvirt.org/go/libvirt"
)

// The test driver has no agents: what it says is an error in words, and no silence.
func TestAskAgentOfNobody(t *testing.T) {
	c, ctx := judge(t).conn, t.Context()
	_, err := c.AskAgent(ctx, "grading", `{"execute": "guest-ping"}`, time.Second)
	assert.ErrorContains(t, err, "ask the agent of guest grading: Domain not found")
	require.NoError(t, c.Define(ctx, strings.Replace(sample(t, "grading"), "<domain type='qemu'", "<domain type='test'", 1)))
	_, err = c.AskAgent(ctx, "grading", `{"execute": "guest-ping"}`, time.Second)
	assert.ErrorContains(t, err, "ask the agent of guest grading: this function is not supported")
	var silent interface{ Silent() bool }
	assert.False(t, errors.As(err, &silent))
}

func TestSilenceIsMarked(t *testing.T) {
	for code, want := range map[libvirt.ErrorNumber]bool{
		libvirt.ERR_AGENT_UNRESPONSIVE: true, libvirt.ERR_AGENT_COMMAND_TIMEOUT: true,
		libvirt.ERR_INTERNAL_ERROR: false, libvirt.ERR_OPERATION_INVALID: false, libvirt.ERR_NO_DOMAIN: false,
	} {
		err := marked(explain("ask the agent of guest grading", libvirt.Error{Code: code, Message: "Guest agent is not responding"}))
		var silent interface{ Silent() bool }
		assert.Equal(t, want, errors.As(err, &silent), "%d", code)
		assert.ErrorContains(t, err, "ask the agent of guest grading: Guest agent is not responding")
	}
	assert.NoError(t, marked(nil))
}
