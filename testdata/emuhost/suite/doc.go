// Package suite holds the tests that lend real controllers on an emulated
// host; it has no code outside them. Start at host_test.go: the machine, and
// how a test gets it.
package suite
