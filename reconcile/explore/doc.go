// Package explore has no code but its test: it goes through every sequence of
// what people, guests, libvirt and time can do to a small host in memory, and
// looks after each deed whether something is in use by two. Start at
// TestNothingIsInUseByTwo.
package explore
