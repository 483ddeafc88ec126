package main

import (
	"fmt"
	"io"
	"slices"
	"strings"

	"github.com/alecthomas/kong"
)

// Manual page and completions are made from the model of the command line, which its help is made
// from too.

type manCmd struct{}

func (manCmd) Run(s *streams, k *kong.Context) error {
	writeManual(s.out, k.Model)
	return nil
}

// writeManual writes the manual page in roff (man(7)).
func writeManual(w io.Writer, app *kong.Application) {
	text := strings.NewReplacer(`\`, `\e`, "-", `\-`, "'", `\(aq`) // a line can't begin with a control character then, but for a point
	say := func(format string, args ...any) {
		for i, a := range args {
			args[i] = text.Replace(strings.TrimSpace(fmt.Sprint(a)))
		}
		fmt.Fprintf(w, format, args...)
	}
	say(".TH FAIRBORE 1 \"\" \"fairbore %s\"\n.SH NAME\nfairbore \\- %s\n", version(), strings.ToLower(app.Help[:1])+strings.TrimSuffix(firstLine(app.Help), ".")[1:])
	say(".SH SYNOPSIS\n.B fairbore\n.I COMMAND\n.RI [ ARGUMENTS ]\n.SH DESCRIPTION\n")
	for line := range strings.Lines(app.Help) {
		say("%s\n.PP\n", line)
	}
	flag := func(f *kong.Flag) {
		say(".TP\n.B %s\n%s\n", f, help(f.Value))
	}
	say(".SH OPTIONS\n")
	for _, f := range app.Flags {
		flag(f)
	}
	say(".SH COMMANDS\n")
	for _, c := range app.Leaves(true) {
		say(".SS %s", strings.TrimSpace(c.Path()))
		for _, p := range c.Positional {
			say(" %s", p.Summary())
		}
		say("\n%s\n", c.Help)
		for _, p := range c.Positional {
			say(".TP\n.I %s\n%s\n", p.Summary(), help(p))
		}
		for _, f := range flagsOf(c) {
			flag(f)
		}
	}
}

func firstLine(s string) string {
	line, _, _ := strings.Cut(s, "\n")
	return line
}

// help is what a flag or argument is for, what it may be, and what it is if it is not given.
func help(v *kong.Value) string {
	out := v.Help
	if one := choices(v); one != nil && !strings.Contains(v.Help, one[0]) {
		out += " One of " + strings.Join(one, ", ") + "."
	}
	if v.HasDefault && v.Default != "" && !v.IsBool() {
		out += " Default: " + v.Default + "."
	}
	return out
}

// choices are the words that a value is one of, nil if it may be any.
func choices(v *kong.Value) []string {
	if v.Enum == "" {
		return nil
	}
	return slices.DeleteFunc(v.EnumSlice(), func(s string) bool { return s == "" })
}

// flagsOf are the flags of a command itself.
func flagsOf(n *kong.Node) []*kong.Flag {
	return slices.DeleteFunc(slices.Clone(n.Flags), func(f *kong.Flag) bool { return f.Hidden })
}

type completionCmd struct {
	Shell string `arg:"" help:"The shell." enum:"bash,fish"`
}

func (c *completionCmd) Run(s *streams, k *kong.Context) error {
	fmt.Fprintf(s.out, "# Written by: fairbore completion %s\n", c.Shell)
	if c.Shell == "fish" {
		completeFish(s.out, k.Model)
	} else {
		completeBash(s.out, k.Model)
	}
	return nil
}

// level is a place in the command line: the program, a command, or a command below one.
type level struct {
	*kong.Node
	path  string   // the words up to here, a blank before each
	words []string // what may come next, besides flags and what can't be listed
}

// levels are all places of the command line, the program first.
func levels(n *kong.Node, path string) (all []level) {
	here := level{Node: n, path: path}
	for _, p := range n.Positional {
		here.words = append(here.words, choices(p)...)
	}
	for _, c := range n.Children {
		here.words = append(here.words, c.Name)
		all = append(all, levels(c, path+" "+c.Name)...)
	}
	return append([]level{here}, all...)
}

// spellings are how a flag can be written.
func spellings(f *kong.Flag) []string {
	all := []string{"--" + f.Name}
	if f.Short != 0 {
		all = append(all, "-"+string(f.Short))
	}
	return all
}

// completeBash writes a completion for bash. Where it has no word, bash goes on with files.
func completeBash(w io.Writer, app *kong.Application) {
	var places, files []string
	var values, next strings.Builder
	for _, l := range levels(app.Node, "") {
		places = append(places, fmt.Sprintf("%q", l.path))
		var flags []string
		for _, f := range flagsOf(l.Node) {
			for _, spelled := range spellings(f) {
				flags = append(flags, spelled)
				switch at, one := fmt.Sprintf("%q", l.path+" "+spelled), choices(f.Value); {
				case f.IsBool():
				case one == nil:
					files = append(files, at)
				default:
					fmt.Fprintf(&values, "  %s) words=%q ;;\n", at, strings.Join(one, " "))
				}
			}
		}
		fmt.Fprintf(&next, "    %q) words=%q flags=%q ;;\n", l.path, strings.Join(l.words, " "), strings.Join(flags, " "))
	}
	fmt.Fprintf(w, `_fairbore() {
  local cur=${COMP_WORDS[COMP_CWORD]} prev=${COMP_WORDS[COMP_CWORD-1]} at="" word words="" flags=""
  [ "$prev" != = ] || prev=${COMP_WORDS[COMP_CWORD-2]}
  [ "$cur" != = ] || cur=""
  for word in "${COMP_WORDS[@]:1:COMP_CWORD-1}"; do
    case "$at $word" in
    %s) at="$at $word" ;;
    esac
  done
  case "$at $prev" in
  %s) return ;;
%s  *)
    case "$at" in
%s    esac
    [[ $cur != -* ]] || words=$flags ;;
  esac
  mapfile -t COMPREPLY < <(compgen -W "$words" -- "$cur")
}
complete -o default -F _fairbore fairbore
`, strings.Join(places[1:], "|"), strings.Join(files, "|"), &values, &next)
}

// completeFish writes a completion for fish.
func completeFish(w io.Writer, app *kong.Application) {
	quote := func(s string) string {
		return "'" + strings.NewReplacer(`\`, `\\`, "'", `\'`).Replace(strings.TrimSpace(s)) + "'"
	}
	for _, l := range levels(app.Node, "") {
		// The words so far have this command, and none below it.
		var when []string
		for _, word := range strings.Fields(l.path) {
			when = append(when, "__fish_seen_subcommand_from "+word)
		}
		if len(l.Children) > 0 {
			when = append(when, "not __fish_seen_subcommand_from "+strings.Join(l.words, " "))
		}
		line := "complete -c fairbore -n " + quote(strings.Join(when, "; and "))
		for _, c := range l.Children {
			fmt.Fprintf(w, "%s -f -a %s -d %s\n", line, c.Name, quote(c.Help))
		}
		for _, p := range l.Positional {
			if one := choices(p); one != nil {
				fmt.Fprintf(w, "%s -f -a %s -d %s\n", line, quote(strings.Join(one, " ")), quote(p.Help))
			}
		}
		for _, f := range flagsOf(l.Node) {
			of := line + " -l " + f.Name
			if f.Short != 0 {
				of += " -s " + string(f.Short)
			}
			switch one := choices(f.Value); {
			case f.IsBool():
			case one != nil:
				of += " -x -a " + quote(strings.Join(one, " "))
			default:
				of += " -r"
			}
			fmt.Fprintf(w, "%s -d %s\n", of, quote(f.Help))
		}
	}
}
