//go:build !unix

package port

// syncDir does nothing, since a folder can't be synced on this system.
func syncDir(string) error { return nil }
