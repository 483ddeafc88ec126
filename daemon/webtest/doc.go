// Package webtest holds tests of the page of the whole program, in a browser.
package webtest
