package windows

import (
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"testing"

	"lendkeep/testdata/outside"
)

// put mounts a volume where nobody else sees it, runs a program in it, and
// unmounts it: what is written is on it once the file system has ended.
const put = `set -e
volume=$1 folder=$2; shift 2
ntfs-3g -o no_detach,streams_interface=windows "$volume" "$folder" >/dev/null 2>&1 & serving=$!
tries=0
until mountpoint -q "$folder"; do
  tries=$((tries+1)); [ $tries -lt 100 ] && kill -0 $serving || { echo cannot mount; exit 77; }
  sleep 0.1
done
(cd "$folder"; "$@") && failed=0 || failed=$?
umount "$folder"
wait $serving
exit $failed`

// Change runs a program in the root folder of an NTFS volume. A test that cannot
// mount one is skipped.
func Change(t testing.TB, volume string, program ...string) {
	t.Helper()
	for _, needed := range []string{"mkntfs", "ntfs-3g", "unshare", "mountpoint"} {
		if _, err := exec.LookPath(needed); err != nil {
			outside.Missing(t, needed+" is not here")
		}
	}
	if os.Geteuid() != 0 {
		t.Skip("mounting takes root")
	}
	arguments := append([]string{"--mount", "sh", "-c", put, "sh", volume, t.TempDir()}, program...)
	said, err := exec.Command("unshare", arguments...).CombinedOutput()
	if exit, ok := err.(*exec.ExitError); ok && exit.ExitCode() == 77 {
		t.Skipf("no NTFS can be mounted here (FUSE): %s", said)
	}
	if err != nil {
		t.Fatalf("change %s: %v: %s", volume, err, said)
	}
}

// Volume makes an NTFS volume of that many MiB with these files, by their paths
// with slashes, and gives its path.
func Volume(t testing.TB, mib int, files map[string][]byte, options ...string) string {
	t.Helper()
	if _, err := exec.LookPath("mkntfs"); err != nil {
		outside.Missing(t, "mkntfs is not here")
	}
	from, volume := t.TempDir(), filepath.Join(t.TempDir(), "volume")
	for name, content := range files {
		path := filepath.Join(from, name)
		if err := os.MkdirAll(filepath.Dir(path), 0o755); err != nil {
			t.Fatal(err)
		}
		if err := os.WriteFile(path, content, 0o644); err != nil {
			t.Fatal(err)
		}
	}
	if err := os.WriteFile(volume, nil, 0o600); err != nil {
		t.Fatal(err)
	}
	if err := os.Truncate(volume, int64(mib)<<20); err != nil {
		t.Fatal(err)
	}
	if said, err := exec.Command("mkntfs", slices.Concat([]string{"-q", "-F", "-Q"}, options, []string{volume})...).CombinedOutput(); err != nil {
		t.Fatalf("make an NTFS: %v: %s", err, said)
	}
	Change(t, volume, "cp", "-r", from+"/.", ".")
	return volume
}
