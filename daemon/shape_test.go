package daemon_test

import (
	"bufio"
	"bytes"
	"encoding/json"
	"errors"
	"fmt"
	"go/ast"
	"go/parser"
	"go/token"
	"io"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"testing"
)

// These are the bounds of the shape of the program. If a package or the chain exceeds its bound, a
// sentence here says why.
const (
	mostChain = 8    // packages of this module in a chain of imports
	mostCode  = 2000 // lines of code of a package, without blank lines and comments
	mostRoot  = 1500 // lines of code of package daemon, the running program
)

// largeBecause returns why a package is larger than mostCode, by package.
func largeBecause() map[string]string {
	return map[string]string{
		"daemon/listen":  "each form that an unknown gauge may talk in is looked for in its own way, and ranked against the others",
		"daemon/port":    "serial, network and pseudo lines, RFC 2217 and recordings are one line that comes back, whatever it is",
		"daemon/session": "one machine of states: gauge, ring, part, study and spindle act on each other in one order",
		"daemon/state":   "what follows from the events is worked out of one fold: numbers, budget, verdict, advice, and what to do now",
		"daemon/store":   "a journal, its indexes, its writer and its checks share the file and its locks",
		"daemon/report":  "each kind of record is put together by itself: part, first article, lot, masterings, gauge study, CSV",
		"daemon/web":     "each page has a handler, and all of them share guards, refusals, languages and streams; what they show and read is in packages below",
		"drivers":        "every wire format is a file of its own; they share the table, the frames and the recordings",
	}
}

// chainBecause says why the longest chain of imports is longer than mostChain.
const chainBecause = "what is recorded, what follows from it, the words for it, the record of it and the page for it are a package each, one above the other"

func listed(t *testing.T) (all []pkg) {
	t.Helper()
	cmd := exec.Command("go", "list", "-e", "-json=Dir,ImportPath,Name,Doc,Imports,GoFiles,Module", "./...")
	cmd.Dir = ".." // module root
	out, err := cmd.Output()
	if err != nil {
		t.Fatalf("go list: %v", err)
	}
	for dec := json.NewDecoder(bytes.NewReader(out)); ; {
		var p pkg
		if err := dec.Decode(&p); errors.Is(err, io.EOF) {
			return all
		} else if err != nil {
			t.Fatal(err)
		}
		all = append(all, p)
	}
}

func (p *pkg) rel() string {
	return strings.TrimPrefix(strings.TrimPrefix(p.ImportPath, p.Module.Path), "/")
}

// TestShape prints the longest chain of imports and the largest package. Each one that exceeds its
// bound must have a reason, and no reason may be left when nothing exceeds the bound.
func TestShape(t *testing.T) {
	local := map[string][]string{}
	code := map[string]int{}
	for _, p := range listed(t) {
		for _, imp := range p.Imports {
			if l, ok := strings.CutPrefix(imp, p.Module.Path+"/"); ok {
				local[p.rel()] = append(local[p.rel()], l)
			}
		}
		for _, f := range p.GoFiles {
			code[p.rel()] += codeLines(t, filepath.Join(p.Dir, f))
		}
	}
	longest := map[string][]string{}
	var chain func(string) []string
	chain = func(of string) []string {
		if c, ok := longest[of]; ok {
			return c
		}
		var best []string
		for _, l := range local[of] {
			if c := chain(l); len(c) > len(best) {
				best = c
			}
		}
		longest[of] = append([]string{of}, best...)
		return longest[of]
	}
	var most []string
	largest := ""
	because := largeBecause()
	for p, n := range code {
		if c := chain(p); len(c) > len(most) || len(c) == len(most) && c[0] < most[0] {
			most = c
		}
		if n > code[largest] {
			largest = p
		}
		if n > mostCode != (because[p] != "") {
			t.Errorf("%s has %d lines of code, the bound is %d; its reason: %q", p, n, mostCode, because[p])
		}
	}
	if code["daemon"] > mostRoot {
		t.Errorf("the running program, daemon, has %d lines of code, the bound is %d", code["daemon"], mostRoot)
	}
	t.Logf("the longest chain of imports has %d packages: %s", len(most), strings.Join(most, " > "))
	t.Logf("the largest package is %s with %d lines of code; daemon has %d", largest, code[largest], code["daemon"])
	if len(most) > mostChain != (chainBecause != "") {
		t.Errorf("the longest chain has %d packages, the bound is %d; its reason: %q", len(most), mostChain, chainBecause)
	}
}

func codeLines(t *testing.T, file string) (n int) {
	t.Helper()
	b, err := os.ReadFile(file)
	if err != nil {
		t.Fatal(err)
	}
	for in := bufio.NewScanner(bytes.NewReader(b)); in.Scan(); {
		if line := strings.TrimSpace(in.Text()); line != "" && !strings.HasPrefix(line, "//") {
			n++
		}
	}
	return n
}

// TestLayoutInvariants checks what must stay true of the layout whatever is moved: only one package
// speaks MQTT as a client; records and messages need no computation; there is only one table of
// materials; no drawing reads its own words; and no code depends on the words of a sentence.
func TestLayoutInvariants(t *testing.T) {
	for _, p := range listed(t) {
		rel := p.rel()
		for _, imp := range p.Imports {
			l, own := strings.CutPrefix(imp, p.Module.Path+"/")
			switch {
			case strings.Contains(imp, "paho") && rel != "daemon/mqtt":
				t.Errorf("%s imports %s; only daemon/mqtt may", rel, imp)
			case imp == "regexp" && (rel == "daemon/picture" || rel == "analysis/notation"):
				t.Errorf("%s finds something by a regular expression; keep it typed", rel)
			case own && slices.Contains([]string{"daemon/store", "daemon/publish"}, rel) && !slices.Contains([]string{"analysis", "daemon/event", "daemon/mqtt"}, l):
				t.Errorf("%s imports %s; a record is kept and told without any computation", rel, l)
			case own && rel == "daemon/event" && l != "analysis":
				t.Errorf("daemon/event imports %s; it holds data", l)
			}
		}
		for _, name := range p.GoFiles {
			fset := token.NewFileSet()
			f, err := parser.ParseFile(fset, filepath.Join(p.Dir, name), nil, 0)
			if err != nil {
				t.Fatal(err)
			}
			ast.Inspect(f, func(n ast.Node) bool {
				where := func() string { return fmt.Sprintf("%s/%s:%d", rel, name, fset.Position(n.Pos()).Line) }
				if field, ok := n.(*ast.Field); ok && rel != "analysis/material" {
					for _, id := range field.Names {
						if id.Name == "Young" || id.Name == "Poisson" {
							t.Errorf("%s: a second table of materials; use analysis/material", where())
						}
					}
				}
				for _, x := range compared(n) {
					if s, ok := sentenceOf(x); ok {
						t.Errorf("%s: goes by the words %q; go by a code", where(), s)
					}
				}
				return true
			})
		}
	}
}

// compared returns the expressions that a node compares with something.
func compared(n ast.Node) []ast.Expr {
	switch n := n.(type) {
	case *ast.BinaryExpr:
		if n.Op == token.EQL || n.Op == token.NEQ {
			return []ast.Expr{n.X, n.Y}
		}
	case *ast.CaseClause:
		return n.List
	case *ast.CallExpr:
		if f, ok := n.Fun.(*ast.SelectorExpr); ok && slices.Contains([]string{"HasPrefix", "HasSuffix", "Contains", "CutPrefix", "CutSuffix", "EqualFold"}, f.Sel.Name) {
			return n.Args
		}
	}
	return nil
}

// sentenceOf returns a string literal and whether it is a sentence: three words or more, or two
// words of which the first has a capital.
func sentenceOf(x ast.Expr) (string, bool) {
	l, ok := x.(*ast.BasicLit)
	if !ok || l.Kind != token.STRING {
		return "", false
	}
	s, err := strconv.Unquote(l.Value)
	words := strings.Fields(s)
	return s, err == nil && (len(words) >= 3 || len(words) == 2 && s[0] >= 'A' && s[0] <= 'Z')
}
