package main

import (
	"bytes"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

// Where nothing is known of an order, status says so: it does not look like one that
// has no steps.
func TestStatusWithoutAnOrder(t *testing.T) {
	for said, s := range map[string]status{
		"Layout and host cannot be brought in line, although no finding is against it: a waits for itself.": {Host: "larch", Why: "a waits for itself"},
		"Layout and host cannot be brought in line: 2 findings against it. To see which: lendkeep check x":  {Host: "larch", Stops: 2},
	} {
		var out bytes.Buffer
		require.NoError(t, printStatus(&out, s, "lendkeep check x", advice{}))
		assert.Contains(t, out.String(), said)
		assert.NotContains(t, out.String(), "The steps of an order")
	}
}
