// Package table reads and writes partition tables through plain readers and
// writers: GPT with both of its copies (UEFI 2.10, chapter 5), and DOS tables,
// which are only read. Start at Read and Write.
package table
