//go:build emuhost

package reconcile_test

// Patterns such as ./... pass folders called testdata by, and so does go mod
// tidy; this import keeps what the emulated host needs in go.mod. The tag is
// never set: tidy reads files whatever their tags.
import _ "lendkeep/testdata/emuhost"
