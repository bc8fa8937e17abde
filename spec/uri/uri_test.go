package uri

import (
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
)

// What libvirt makes of these parts: its documentation, "Connection URIs" and "Remote
// support".
func TestWrong(t *testing.T) {
	for uri, says := range map[string]string{
		"qemu:///system":                                    "",
		"qemu:///session":                                   "",
		"qemu+unix:///system":                               "",
		"test:///default":                                   "",
		"":                                                  "looks like",
		"system":                                            "looks like",
		"qemu:system":                                       "looks like",
		"qemu://yew/system":                                 "another host",
		"qemu+ssh://yew/system?command=/tmp/a":              "another host",
		"qemu+ssh://root@yew/system":                        "another host",
		"qemu+ext:///system?command=/tmp/a":                 "run a program",
		"qemu+ext:///system":                                "run a program",
		"qemu+ssh:///system?command=/tmp/a":                 "run a program",
		"qemu+libssh2:///system":                            "run a program",
		"qemu:///system?name=qemu%2bext:///x":               "run a program",
		"qemu:///system?socket=/tmp/a":                      "run a program",
		"qemu+unix:///system?mode=direct;socket=/tmp/a":     "run a program",
		"qemu:///embed?root=/tmp/a":                         "run a program",
		"test:////tmp/a.xml":                                "run a program",
		"qemu:///system#a":                                  "run a program",
		"qemu:///system?":                                   "run a program",
		"QEMU:///system":                                    "run a program",
		"qemu:///system\n":                                  "looks like",
		"qemu:////" + strings.Repeat("../", 9) + "tmp/a":    "run a program",
		"qemu:///system/../" + strings.Repeat("%2e%2e/", 9): "run a program",
		"qemu+tcp://[::1]/system":                           "another host",
	} {
		if wrong := Wrong(uri); says == "" {
			assert.Empty(t, wrong, uri)
		} else {
			assert.Contains(t, wrong, says, uri)
		}
	}
}
