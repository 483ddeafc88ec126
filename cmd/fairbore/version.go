package main

import (
	"cmp"
	"fmt"
	"runtime"
	"runtime/debug"
)

// version is the version of this build: a tag of the source, or what tells the commit where there is
// none; "(devel)" if the source was in no repository.
func version() string {
	if info, ok := debug.ReadBuildInfo(); ok {
		return info.Main.Version
	}
	return "unknown"
}

// built says the version, the commit and its date (as the go command keeps them in a program), and
// what the program was built with and for.
func built() string {
	known := map[string]string{}
	if info, ok := debug.ReadBuildInfo(); ok {
		for _, s := range info.Settings {
			known[s.Key] = s.Value
		}
	}
	return fmt.Sprintf("fairbore %s, commit %s of %s, %s, %s/%s", version(), cmp.Or(known["vcs.revision"], "unknown"),
		cmp.Or(known["vcs.time"], "unknown date"), runtime.Version(), runtime.GOOS, runtime.GOARCH)
}

type versionCmd struct{}

func (versionCmd) Run(s *streams) error {
	fmt.Fprintln(s.out, built())
	return nil
}
