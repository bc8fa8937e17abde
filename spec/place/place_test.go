package place

import (
	"testing"

	"github.com/stretchr/testify/assert"
)

func TestWrong(t *testing.T) {
	for at, says := range map[string]string{
		"/srv/shelf":                    "",
		"/home/ada/films":               "",
		"/opt/films":                    "",
		"/var/lib/libvirt/images":       "",
		"/var/lib/libvirt/images/reel":  "",
		"/usrlocal":                     "",
		"/etcetera":                     "",
		"":                              "no absolute path",
		"srv":                           "no absolute path",
		"/srv/../etc":                   "no absolute path",
		"/srv/":                         "no absolute path",
		"/":                             "root directory",
		"/sys/class":                    "belongs to the kernel",
		"/dev":                          "belongs to the kernel",
		"/usr":                          "the host needs /usr",
		"/var":                          "the host needs /var",
		"/var/lib":                      "the host needs /var/lib",
		"/var/lib/libvirt":              "the host needs /var/lib/libvirt",
		"/usr/local/bin":                "goes by, what lies in /usr",
		"/etc/systemd/system":           "goes by, what lies in /etc",
		"/etc/cron.d/films":             "goes by, what lies in /etc",
		"/root/.ssh":                    "goes by, what lies in /root",
		"/run/udev/rules.d":             "goes by, what lies in /run",
		"/var/spool/cron/crontabs/root": "goes by, what lies in /var/spool",
		"/var/lib/lendkeep/history":     "goes by, what lies in /var/lib/lendkeep",
	} {
		if wrong := Wrong(at); says == "" {
			assert.Empty(t, wrong, at)
		} else {
			assert.Contains(t, wrong, says, at)
		}
	}
}
