// Package again holds an order against the one that is planned anew on a twin of
// its host: the layout for that (Layout), where the two differ (Steps), and where
// the kernel's host differs from that in memory after the same order (Standing).
package again
