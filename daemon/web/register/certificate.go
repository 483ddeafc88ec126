package register

import (
	"bytes"
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"image"
	_ "image/jpeg" // the forms of a certificate
	_ "image/png"
	"io/fs"
	"os"
	"path/filepath"
	"regexp"

	"fairbore/analysis"
	"fairbore/daemon/config"
)

// Bounds of what is kept. A scanned page has less than 1 MiB.
const (
	MostFile  = 4 << 20   // bytes of one certificate
	mostFiles = 256 << 20 // of all
)

// hash matches the name of a kept file.
var hash = regexp.MustCompile(`^[0-9a-f]{64}$`)

// form returns the media type of a certificate and the end of its name, "" for what is none.
func form(content []byte) (media, end string) {
	if bytes.HasPrefix(content, []byte("%PDF-")) {
		return "application/pdf", "pdf"
	}
	switch _, kind, err := image.DecodeConfig(bytes.NewReader(content)); {
	case err != nil:
	case kind == "png":
		return "image/png", "png"
	case kind == "jpeg":
		return "image/jpeg", "jpg"
	}
	return "", ""
}

// Keep keeps the file of a certificate in a folder and returns its SHA-256 in hex, which is its name
// there. The error is an [analysis.Phrase] for what is no certificate or too much, or that of the
// disk.
func Keep(dir string, content []byte) (string, error) {
	if media, _ := form(content); media == "" {
		return "", analysis.Say("register.no_certificate")
	}
	sum := sha256.Sum256(content)
	name := hex.EncodeToString(sum[:])
	if err := os.MkdirAll(dir, 0o750); err != nil {
		return "", err
	}
	if has, err := os.ReadFile(filepath.Join(dir, name)); err == nil && bytes.Equal(has, content) {
		return name, nil
	}
	list, err := os.ReadDir(dir)
	if err != nil {
		return "", err
	}
	total := int64(len(content))
	for _, e := range list {
		if info, err := e.Info(); err == nil {
			total += info.Size()
		}
	}
	if total > mostFiles {
		return "", analysis.Say("register.folder_full", dir)
	}
	path := filepath.Join(dir, name)
	if err := os.Remove(path); err != nil && !errors.Is(err, fs.ErrNotExist) { // one that is not what it was
		return "", err
	}
	return name, config.Replace(path, nil, content)
}

// Kept returns the file of a certificate, its media type and a name for it. It returns
// [fs.ErrNotExist] for what is none, or is not what it was.
func Kept(dir, name string) (content []byte, media, file string, err error) {
	if !hash.MatchString(name) {
		return nil, "", "", fs.ErrNotExist
	}
	path := filepath.Join(dir, name)
	info, err := os.Lstat(path)
	if err != nil {
		return nil, "", "", err
	}
	if !info.Mode().IsRegular() || info.Size() > MostFile {
		return nil, "", "", fs.ErrNotExist
	}
	if content, err = os.ReadFile(path); err != nil {
		return nil, "", "", err
	}
	media, end := form(content)
	if sum := sha256.Sum256(content); media == "" || hex.EncodeToString(sum[:]) != name {
		return nil, "", "", errors.Join(fs.ErrNotExist, errors.New("the file is not what it was"))
	}
	return content, media, "certificate-" + name[:12] + "." + end, nil
}
