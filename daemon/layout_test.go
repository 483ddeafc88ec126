package daemon_test

import (
	"go/ast"
	"go/parser"
	"go/token"
	"path"
	"path/filepath"
	"slices"
	"strings"
	"testing"
)

// allowed is what a package may import: packages of this module, and packages of other modules.
type allowed struct{ local, third []string }

// layout returns the policy, one line for each package. A package that is not listed fails the
// test, so each new package is a decision that somebody reads in review.
//
// Do not widen a line to make a build pass; move the code instead.
func layout() map[string]allowed {
	const zerolog, gonum = "github.com/rs/zerolog", "gonum.org/v1/gonum"
	return map[string]allowed{
		"analysis":                {},
		"analysis/notation":       {local: []string{"analysis"}},
		"analysis/material":       {},
		"analysis/plan":           {local: []string{"analysis", "analysis/material"}},
		"analysis/master":         {local: []string{"analysis", "analysis/material"}, third: []string{gonum}},
		"analysis/capture":        {local: []string{"analysis", "analysis/capture/rock", "analysis/capture/settle"}},
		"analysis/capture/settle": {},
		"analysis/capture/rock":   {local: []string{"analysis/capture/pass"}},
		"analysis/capture/pass":   {},
		"analysis/form":           {local: []string{"analysis"}, third: []string{gonum}},
		"analysis/uncertainty":    {local: []string{"analysis"}, third: []string{gonum}},
		"analysis/verdict":        {local: []string{"analysis", "analysis/uncertainty"}, third: []string{gonum}},
		"analysis/advise":         {local: []string{"analysis", "analysis/form", "analysis/notation", "analysis/uncertainty", "analysis/verdict"}},
		"analysis/study":          {local: []string{"analysis"}, third: []string{gonum}},
		"drivers":                 {},
		"drivers/drivertest":      {local: []string{"drivers"}},
		"drivers/simulator":       {local: []string{"analysis"}},
		"configs":                 {},
		"daemon/config":           {local: []string{"analysis", "analysis/capture", "analysis/master", "analysis/material", "analysis/notation", "analysis/verdict", "daemon/config/edit", "drivers"}, third: []string{"github.com/knadh/koanf", "github.com/go-viper/mapstructure/v2", "go.yaml.in/yaml/v3"}},
		"daemon/config/edit":      {third: []string{"go.yaml.in/yaml/v3"}},
		"daemon/port":             {local: []string{"analysis", "drivers"}, third: []string{"go.bug.st/serial", "golang.org/x/sys", zerolog}},
		"daemon/listen":           {local: []string{"analysis", "analysis/notation", "drivers", "daemon/port"}, third: []string{zerolog}},
		"daemon/event":            {local: []string{"analysis"}},
		"daemon/people":           {local: []string{"daemon/event"}},
		"daemon/head":             {local: []string{"daemon/event"}},
		"daemon/state":            {local: []string{"analysis", "analysis/advise", "analysis/capture", "analysis/form", "analysis/master", "analysis/material", "analysis/uncertainty", "analysis/verdict", "daemon/event", "daemon/people"}},
		"daemon/session":          {local: []string{"analysis", "analysis/advise", "analysis/capture", "analysis/master", "analysis/material", "analysis/notation", "analysis/uncertainty", "analysis/verdict", "daemon/event", "daemon/people", "daemon/state", "drivers"}},
		"daemon/store":            {local: []string{"analysis", "daemon/event"}, third: []string{"modernc.org/sqlite", "golang.org/x/sys", zerolog}},
		"daemon/mqtt":             {local: []string{"analysis"}, third: []string{"github.com/eclipse/paho.mqtt.golang", zerolog}},
		"daemon/publish":          {local: []string{"analysis", "daemon/event", "daemon/mqtt"}, third: []string{zerolog}},
		"daemon/watch":            {local: []string{"analysis", "daemon/event", "daemon/mqtt", "daemon/publish", "daemon/state"}, third: []string{zerolog}},
		"daemon/publishtest":      {local: []string{"analysis", "analysis/advise", "daemon/broker", "daemon/daemontest", "daemon/event", "daemon/mqtt"}, third: []string{"golang.org/x/crypto", zerolog}},
		"daemon/broker":           {local: []string{"daemon/limit"}, third: []string{"golang.org/x/crypto", zerolog}},
		"daemon/visit":            {local: []string{"analysis", "analysis/capture", "daemon/event", "daemon/session", "drivers"}, third: []string{zerolog}},
		"daemon/picture":          {local: []string{"analysis", "analysis/notation", "daemon/state", "daemon/event"}},
		"daemon/web":              {local: []string{"analysis", "analysis/material", "analysis/notation", "analysis/plan", "daemon/code", "daemon/config", "daemon/event", "daemon/limit", "daemon/people", "daemon/picture", "daemon/state", "daemon/web/export", "daemon/web/guide", "daemon/web/help", "daemon/web/jobform", "daemon/web/register", "daemon/web/view"}, third: []string{"golang.org/x/text", zerolog}},
		"daemon/web/view":         {local: []string{"analysis", "analysis/advise", "analysis/notation", "analysis/verdict", "daemon/event", "daemon/state"}},
		"daemon/web/jobform":      {local: []string{"analysis", "analysis/notation", "analysis/plan"}},
		"daemon/web/help":         {},
		"daemon/web/register":     {local: []string{"analysis", "analysis/material", "analysis/notation", "daemon/config", "drivers"}},
		"daemon/web/export":       {local: []string{"analysis", "analysis/notation"}, third: []string{zerolog}},
		"daemon/web/guide":        {local: []string{"analysis", "analysis/capture", "analysis/notation", "daemon/config", "daemon/listen", "daemon/port", "drivers"}, third: []string{zerolog}},
		"daemon/web/shoptest":     {local: []string{"analysis", "analysis/master", "analysis/verdict", "daemon/event", "daemon/state"}},
		"daemon/sheet":            {},
		"daemon/code":             {third: []string{"github.com/piglig/go-qr"}},
		"daemon/document":         {local: []string{"analysis/notation", "daemon/code", "daemon/picture"}, third: []string{"codeberg.org/go-pdf/fpdf"}},
		"daemon/report":           {local: []string{"analysis", "analysis/...", "daemon/document", "daemon/event", "daemon/sheet", "daemon/state", "daemon/picture"}},
		"daemon/limit":            {},
		"daemon/service":          {third: []string{"golang.org/x/sys"}},
		"daemon/line":             {local: []string{"analysis", "drivers", "daemon/event", "daemon/port", "daemon/session"}, third: []string{zerolog}},
		"daemon/setup":            {local: []string{"analysis/capture", "analysis/master", "analysis/uncertainty", "daemon/broker", "daemon/config", "daemon/event", "daemon/people", "daemon/head", "daemon/limit", "daemon/line", "daemon/port", "daemon/state", "daemon/visit", "drivers"}, third: []string{zerolog}},
		"daemon/hub":              {local: []string{"analysis", "analysis/notation", "daemon/event", "daemon/state"}},
		"daemon/archive":          {local: []string{"analysis", "analysis/notation", "analysis/study", "daemon/document", "daemon/event", "daemon/head", "daemon/report", "daemon/sheet", "daemon/state", "daemon/store", "daemon/web", "daemon/web/export"}},
		"daemon/replay":           {local: []string{"daemon/config", "daemon/event", "daemon/line", "daemon/port", "daemon/session", "daemon/setup", "drivers"}, third: []string{zerolog}},
		"daemon/wall":             {local: []string{"analysis", "analysis/notation", "daemon/event", "daemon/hub", "daemon/mqtt", "daemon/service", "daemon/state", "daemon/watch", "daemon/web"}, third: []string{zerolog}},
		"daemon":                  {local: []string{"analysis", "analysis/material", "analysis/notation", "drivers", "daemon/archive", "daemon/broker", "daemon/config", "daemon/event", "daemon/head", "daemon/hub", "daemon/limit", "daemon/line", "daemon/mqtt", "daemon/port", "daemon/publish", "daemon/service", "daemon/session", "daemon/setup", "daemon/state", "daemon/store", "daemon/visit", "daemon/web", "daemon/web/guide", "daemon/web/jobform"}, third: []string{zerolog, "github.com/prometheus/client_golang"}},
		"daemon/daemontest":       {local: []string{"analysis", "analysis/notation", "daemon/event", "daemon/state", "daemon/store"}, third: []string{"github.com/creack/pty", "golang.org/x/term"}},
		"daemon/faulttest":        {local: []string{"daemon/daemontest", "daemon/event", "daemon/state", "daemon/store"}, third: []string{"github.com/hanwen/go-fuse/v2", "golang.org/x/sys"}},
		"daemon/webtest":          {},
		"daemon/demo":             {local: []string{"analysis", "analysis/advise", "analysis/capture", "configs", "drivers/simulator", "daemon", "daemon/archive", "daemon/config", "daemon/event", "daemon/state", "daemon/web"}, third: []string{zerolog, "github.com/creack/pty", "golang.org/x/term"}},
		"cmd/fairbore":            {local: []string{"analysis", "analysis/material", "analysis/notation", "analysis/plan", "configs", "drivers", "daemon", "daemon/archive", "daemon/broker", "daemon/config", "daemon/demo", "daemon/event", "daemon/head", "daemon/listen", "daemon/port", "daemon/replay", "daemon/service", "daemon/setup", "daemon/store", "daemon/visit", "daemon/wall"}, third: []string{"github.com/alecthomas/kong", zerolog}},
	}
}

// pureStd returns the closed list of packages of the standard library that computing packages may
// import. It has no I/O, no log, no goroutines and no clock.
func pureStd() []string {
	return []string{
		"bufio", "bytes", "cmp", "embed", "encoding", "encoding/binary", "encoding/hex", "errors", "fmt", "hash/...", "iter", "maps",
		"math", "math/...", "reflect", "regexp", "slices", "sort", "strconv", "strings", "sync", "text/tabwriter", "time", "unicode", "unicode/utf8",
	}
}

func forbiddenNames() []string {
	return []string{"util", "utils", "common", "helper", "helpers", "misc", "shared", "base", "core", "lib", "types", "models", "interfaces", "manager", "managers", "pkg", "internal"}
}

type pkg struct {
	Dir, ImportPath, Name, Doc string
	Imports, GoFiles           []string
	Module                     *struct{ Path string }
}

func TestLayout(t *testing.T) {
	table := layout()
	seen := map[string]bool{}
	for _, p := range listed(t) {
		checkPackage(t, p, table, seen)
	}
	for name := range table {
		if !seen[name] {
			t.Errorf("layout lists %q, which does not exist", name)
		}
	}
}

func checkPackage(t *testing.T, p pkg, table map[string]allowed, seen map[string]bool) {
	rel := p.rel()
	rule, ok := table[rel]
	if !ok {
		t.Errorf("%s: not in the layout table", rel)
		return
	}
	seen[rel] = true
	if p.Doc == "" {
		t.Errorf("%s: no package comment", rel)
	}
	for _, part := range strings.Split(rel, "/") {
		if slices.Contains(forbiddenNames(), part) {
			t.Errorf("%s: the name %q says nothing about what is in it", rel, part)
		}
	}
	top, _, _ := strings.Cut(rel, "/")
	pure := (top == "analysis" || top == "drivers") && path.Base(rel) != "drivertest"
	for _, imp := range p.Imports {
		switch {
		case strings.HasPrefix(imp, p.Module.Path+"/"):
			if l := strings.TrimPrefix(imp, p.Module.Path+"/"); !matchAny(rule.local, l) {
				t.Errorf("%s must not import %s", rel, l)
			}
		case strings.Contains(strings.SplitN(imp, "/", 2)[0], "."):
			if !slices.ContainsFunc(rule.third, func(m string) bool { return imp == m || strings.HasPrefix(imp, m+"/") }) {
				t.Errorf("%s must not import %s", rel, imp)
			}
		case pure && !matchAny(pureStd(), imp):
			t.Errorf("%s is pure and must not import %s", rel, imp)
		}
	}
	for _, f := range p.GoFiles {
		checkFile(t, filepath.Join(p.Dir, f), rel+"/"+f, pure)
	}
}

// checkFile reports init functions. In a pure package it also reports go statements and uses of the
// clock.
func checkFile(t *testing.T, file, name string, pure bool) {
	fset := token.NewFileSet()
	f, err := parser.ParseFile(fset, file, nil, 0)
	if err != nil {
		t.Fatal(err)
	}
	clock := []string{"Now", "Since", "Until", "Sleep", "After", "AfterFunc", "Tick", "NewTimer", "NewTicker"}
	ast.Inspect(f, func(n ast.Node) bool {
		switch n := n.(type) {
		case *ast.FuncDecl:
			if n.Recv == nil && n.Name.Name == "init" {
				t.Errorf("%s:%d: init function; say it where it is needed", name, fset.Position(n.Pos()).Line)
			}
		case *ast.GoStmt:
			if pure {
				t.Errorf("%s:%d: go statement in a pure package", name, fset.Position(n.Pos()).Line)
			}
		case *ast.SelectorExpr:
			if x, ok := n.X.(*ast.Ident); ok && pure && x.Name == "time" && slices.Contains(clock, n.Sel.Name) {
				t.Errorf("%s:%d: time.%s in a pure package; take the time from the sample", name, fset.Position(n.Pos()).Line, n.Sel.Name)
			}
		}
		return true
	})
}

func matchAny(pats []string, s string) bool {
	return slices.ContainsFunc(pats, func(pat string) bool {
		if base, ok := strings.CutSuffix(pat, "/..."); ok {
			return strings.HasPrefix(s, base+"/")
		}
		return pat == s
	})
}
