package drive

import (
	"os"
	"path/filepath"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"lendkeep/reconcile/facts"
)

// tree writes the few files of /sys that finding a drive takes.
func tree(t *testing.T, files map[string]string) string {
	root := t.TempDir()
	for name, content := range files {
		path := filepath.Join(root, name)
		require.NoError(t, os.MkdirAll(filepath.Dir(path), 0o777))
		require.NoError(t, os.WriteFile(path, []byte(content), 0o666))
	}
	return root
}

func TestFindNVMe(t *testing.T) {
	files := map[string]string{
		"sys/class/nvme/nvme0/serial":       "RL-4410-0072        \n",
		"sys/class/nvme/nvme0/nvme0n1/nsid": "1\n",
		"sys/class/nvme/nvme1/serial":       "RL-4410-0073        \n",
		"sys/class/nvme/nvme1/nvme1n1/nsid": "1\n",
		"sys/class/nvme/nvme1/nvme1n2/nsid": "2\n",
		"sys/class/nvme/nvme1/ng1n1/dev":    "242:0\n",
		"sys/class/block/nvme1n1/dev":       "259:4\n",
		"sys/class/block/nvme1n2/dev":       "259:5\n",
	}
	root := tree(t, files)
	wanted := facts.Drive{Serial: "RL-4410-0073", Namespace: 2}
	found, err := FindNVMe(root)(wanted)
	require.NoError(t, err)
	assert.Equal(t, Device{Name: "nvme1n2", Node: root + "/dev/nvme1n2", Devno: facts.Devno{Major: 259, Minor: 5}}, found)

	_, err = FindNVMe(root)(facts.Drive{Serial: "RL-4410-0073", Namespace: 3})
	assert.ErrorContains(t, err, "no NVMe controller of the host has that serial and a namespace 3")
	_, err = FindNVMe(root)(facts.Drive{Serial: "RL-4410-007", Namespace: 1})
	assert.ErrorContains(t, err, "no NVMe controller")
	_, err = FindNVMe(t.TempDir())(wanted)
	assert.ErrorIs(t, err, os.ErrNotExist)

	files["sys/class/nvme/nvme0/serial"] = "RL-4410-0073\n"
	_, err = FindNVMe(tree(t, files))(facts.Drive{Serial: "RL-4410-0073", Namespace: 1})
	assert.ErrorContains(t, err, "nvme0n1, nvme1n1 all have that serial")
	files["sys/class/nvme/nvme0/serial"] = "\n"
	_, err = FindNVMe(tree(t, files))(facts.Drive{Namespace: 1})
	assert.ErrorContains(t, err, "blank serial")
}

// A namespace with two paths is one drive.
func TestFindNVMeThroughTwoControllers(t *testing.T) {
	root := tree(t, map[string]string{
		"sys/class/nvme/nvme3/serial":         "RL-4410-0073\n",
		"sys/class/nvme/nvme3/nvme3c3n1/nsid": "1\n",
		"sys/class/nvme/nvme4/serial":         "RL-4410-0073\n",
		"sys/class/nvme/nvme4/nvme3c4n1/nsid": "1\n",
		"sys/class/block/nvme3n1/dev":         "259:4\n",
	})
	found, err := FindNVMe(root)(facts.Drive{Serial: "RL-4410-0073", Namespace: 1})
	require.NoError(t, err)
	assert.Equal(t, "nvme3n1", found.Name)
}

func TestPartitions(t *testing.T) {
	root := tree(t, map[string]string{
		"sys/class/block/nvme1n1/nvme1n1p2/partition": "2\n",
		"sys/class/block/nvme1n1/nvme1n1p2/start":     "4096\n",
		"sys/class/block/nvme1n1/nvme1n1p2/size":      "2048\n",
		"sys/class/block/nvme1n1/queue/rotational":    "0\n",
		"sys/class/block/nvme1n1p2/dev":               "259:6\n",
	})
	list, err := partitions(root, "nvme1n1")
	require.NoError(t, err)
	assert.Equal(t, []partition{{"nvme1n1p2", facts.Devno{Major: 259, Minor: 6}, 4096, 6144}}, list)
}
