package main

import (
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

// The real process is killed at fifteen moments of an apply. Whatever was
// reached, rollback brings the host back as it was; resume before that ends the
// order.
func TestKilledApply(t *testing.T) {
	program, err := exec.LookPath("lendkeep") // this test binary, under its own name
	require.NoError(t, err)
	whole := applyTime(t, program)
	reached := map[string]int{}
	for n := range 15 {
		folder, before := standIn(t)
		order, code := dayOrder(t, folder)
		apply := exec.Command(program, "apply", order, "--approve", code, "--stand-in", folder)
		require.NoError(t, apply.Start())
		time.Sleep(whole * time.Duration(n) / 14)
		_ = apply.Process.Kill() // it may have ended by itself
		_ = apply.Wait()

		journals, err := filepath.Glob(filepath.Join(folder, "journals", "*.journal"))
		require.NoError(t, err)
		if len(journals) == 0 || size(t, journals[0]) == 0 {
			reached["nothing begun"]++
		} else {
			if n%2 == 0 {
				resumed := exec.Command(program, "resume", "--stand-in", folder)
				out, err := resumed.CombinedOutput()
				ended := err == nil || strings.Contains(string(out), "nothing to go on with") || strings.Contains(string(out), "no order was carried out")
				require.True(t, ended, string(out))
			}
			out, err := exec.Command(program, "rollback", "--stand-in", folder).CombinedOutput()
			require.True(t, err == nil || strings.Contains(string(out), "no order was carried out"), string(out))
			reached["begun"]++
		}
		assert.Equal(t, before, surveyOf(t, folder), "killed after %d/14", n)
	}
	assert.Positive(t, reached["begun"], "%v", reached)
}

// applyTime is how long an apply takes that nobody kills.
func applyTime(t *testing.T, program string) time.Duration {
	folder, _ := standIn(t)
	order, code := dayOrder(t, folder)
	start := time.Now()
	out, err := exec.Command(program, "apply", order, "--approve", code, "--stand-in", folder).CombinedOutput()
	require.NoError(t, err, string(out))
	return time.Since(start)
}

func standIn(t *testing.T) (folder, survey string) {
	folder = t.TempDir()
	must(t, "survey", "--root", "../../testdata/hosts/larch.txtar", "-o", filepath.Join(folder, "survey.json"))
	return folder, surveyOf(t, folder)
}

func dayOrder(t *testing.T, folder string) (name, code string) {
	name = filepath.Join(folder, "day.order")
	out := must(t, "plan", "../../examples/larch", "--shift", "day", "--stand-in", folder, "-o", name)
	_, rest, found := strings.Cut(out, "Approval code: ")
	require.True(t, found)
	return name, strings.Fields(rest)[0]
}

func surveyOf(t *testing.T, folder string) string {
	name := filepath.Join(t.TempDir(), "now.json")
	must(t, "survey", "--stand-in", folder, "-o", name)
	content, err := os.ReadFile(name)
	require.NoError(t, err)
	return string(content)
}

func size(t *testing.T, name string) int64 {
	stat, err := os.Stat(name)
	require.NoError(t, err)
	return stat.Size()
}
