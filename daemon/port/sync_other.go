//go:build !unix

package port

// syncDir does nothing where a folder can't be synced.
func syncDir(string) error { return nil }
