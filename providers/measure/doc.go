// Package measure measures a drive: a folder's, through a file of its own that is
// gone whatever happens, or a whole device, which is only ever read. It goes past
// the system's caches, keeps as many operations under way as a series wants, and
// notes what disturbs. It runs inside guests, on Linux and Windows, without cgo.
// Start at Measure; course is one run of a series, way is how operations reach the
// system.
package measure
