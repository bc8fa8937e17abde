// Package holding asks the kernel of this machine who holds a device: by opening
// it exclusively, by the mounts of every mount namespace, by the open files of
// every process. It is a leaf below the providers, used by surveys, by the guard
// and by whoever unbinds or writes a drive. Start at Ask and Hold.
package holding
