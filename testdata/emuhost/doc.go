// Package emuhost holds what only tests want of emulated hosts
// (lendkeep/providers/emulated): small guests. Its folders are the suite that
// really lends, and what a person uses. Start at Guest.
package emuhost
