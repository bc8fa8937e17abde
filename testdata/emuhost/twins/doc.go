// Package twins rehearses orders on twins of hosts, as a person does: by lendkeep
// rehearse --twin. It has no code but tests, which boot a machine each.
package twins
