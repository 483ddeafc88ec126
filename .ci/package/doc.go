// Package packaging makes the Debian packages, and tests them as a machine gets them. It is no part
// of the program; .ci/test runs its tests by their own name.
package packaging
