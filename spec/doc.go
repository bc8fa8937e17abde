// Package spec reads the layout language: a directory of .hcl files in, a
// Layout out, with every diagnostic on the way. It is the only place that sees
// HCL and knows nothing of hosts. Start at Load; the values are in layout.go.
package spec
