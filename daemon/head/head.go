// Package head signs heads of the journal, and reads and checks heads that were kept elsewhere.
//
// A key is one of Ed25519 in PEM: PKCS #8 the private one, SubjectPublicKeyInfo the public one, as
// openssl makes them:
//
//	openssl genpkey -algorithm ed25519 -out journal.key
//	openssl pkey -in journal.key -pubout -out journal.pub
package head

import (
	"bytes"
	"context"
	"crypto/ed25519"
	"crypto/sha256"
	"crypto/x509"
	"encoding/base64"
	"encoding/hex"
	"encoding/json"
	"encoding/pem"
	"errors"
	"fmt"
	"html"
	"os"
	"regexp"
	"strconv"
	"strings"
	"time"

	"fairbore/daemon/event"
)

// Signer signs heads. A nil Signer leaves them unsigned.
type Signer struct {
	key ed25519.PrivateKey
	id  string
}

// ReadSigner reads a private key.
func ReadSigner(path string) (*Signer, error) {
	der, err := block(path, "PRIVATE KEY")
	if err != nil {
		return nil, err
	}
	parsed, err := x509.ParsePKCS8PrivateKey(der)
	key, ok := parsed.(ed25519.PrivateKey)
	if err != nil || !ok {
		return nil, fmt.Errorf("%s is no key of Ed25519 (%v); make one: openssl genpkey -algorithm ed25519 -out FILE", path, what(parsed, err))
	}
	p := Public{key.Public().(ed25519.PublicKey)}
	id, err := p.ID()
	return &Signer{key, id}, err
}

// Sign signs a head.
func (s *Signer) Sign(h *event.Head) {
	if s == nil || h.Seq == 0 {
		return
	}
	h.Signature, h.Key = base64.StdEncoding.EncodeToString(ed25519.Sign(s.key, []byte(h.Text()))), s.id
}

// Public is a public key.
type Public struct{ key ed25519.PublicKey }

// ReadPublic reads a public key.
func ReadPublic(path string) (Public, error) {
	der, err := block(path, "PUBLIC KEY")
	if err != nil {
		return Public{}, err
	}
	parsed, err := x509.ParsePKIXPublicKey(der)
	key, ok := parsed.(ed25519.PublicKey)
	if err != nil || !ok {
		return Public{}, fmt.Errorf("%s is no public key of Ed25519 (%v); take it out of the key: openssl pkey -in KEY -pubout -out FILE", path, what(parsed, err))
	}
	return Public{key}, nil
}

// ID returns the fingerprint of the key; see [event.Head].
func (p Public) ID() (string, error) {
	der, err := x509.MarshalPKIXPublicKey(p.key)
	if err != nil {
		return "", err
	}
	return fmt.Sprintf("%x", sha256.Sum256(der)), nil
}

// Check returns an error unless the head is signed by the key.
func (p Public) Check(h *event.Head) error {
	id, err := p.ID()
	if err != nil {
		return err
	}
	sig, err := base64.StdEncoding.DecodeString(h.Signature)
	switch {
	case h.Signature == "":
		return errors.New("it is not signed")
	case h.Key != id:
		return fmt.Errorf("it is signed by another key, %s, than the one given, %s", h.Key, id)
	case err != nil || !ed25519.Verify(p.key, []byte(h.Text()), sig):
		return errors.New("its signature does not fit: the head was changed, or was not signed by this key")
	}
	return nil
}

// block reads the only block of a PEM file.
func block(path, kind string) ([]byte, error) {
	text, err := os.ReadFile(path)
	if err != nil {
		return nil, err
	}
	b, rest := pem.Decode(text)
	if b == nil || b.Type != kind || len(bytes.TrimSpace(rest)) > 0 {
		return nil, fmt.Errorf("%s is not valid: give one block of PEM, BEGIN %s", path, kind)
	}
	return b.Bytes, nil
}

// what says why something is no key of Ed25519.
func what(key any, err error) any {
	if err != nil {
		return err
	}
	return fmt.Sprintf("it is %T", key)
}

// The form of a head in a record, whatever the record is: the words of [event.Head.Line] with any
// white space between them, since a record may break the line. Tags of HTML count as white space.
var (
	stated = regexp.MustCompile(event.HeadTitle + `\W+journal\W+([0-9a-f]{32})\W+row\W+([0-9]{1,19})\W+hash\W+([0-9a-f]{64})\W+at\W+([0-9T:.-]{19,29}Z)` +
		`(?:\W+signature\W+([A-Za-z0-9+/]{86}==)\W+key\W+([0-9a-f]{64}))?`)
	tags = regexp.MustCompile(`<[^<>]*>`)
)

// Read reads a head: the JSON of one as it is published, or a record (text, HTML, PDF or CSV) that
// states one. Of several that are the same it takes one; a record that states different ones is an
// error.
func Read(b []byte) (h event.Head, err error) {
	if trimmed := bytes.TrimSpace(b); bytes.HasPrefix(trimmed, []byte("{")) {
		if err := json.Unmarshal(trimmed, &h); err != nil {
			return h, fmt.Errorf("no head of a journal: %w", err)
		}
		if raw, err := hex.DecodeString(h.Hash); err != nil || len(raw) != sha256.Size || h.Journal == "" || h.Seq == 0 {
			return h, errors.New("no head of a journal: give journal, seq and hash, as they are published")
		}
		return h, nil
	}
	text := string(b)
	if !strings.HasPrefix(text, "%PDF-") { // a PDF has bytes that look like tags, and no tags
		text = html.UnescapeString(tags.ReplaceAllString(text, " "))
	}
	all := stated.FindAllStringSubmatch(text, -1)
	if all == nil {
		return h, fmt.Errorf("states no head of a journal; a record has one where it says %q", event.HeadTitle)
	}
	for _, m := range all {
		one := event.Head{Journal: m[1], Hash: m[3], Signature: m[5], Key: m[6]}
		if one.Seq, err = strconv.ParseUint(m[2], 10, 63); err != nil {
			return h, fmt.Errorf("row %s: %w", m[2], err)
		}
		if one.At, err = time.Parse(time.RFC3339Nano, m[4]); err != nil {
			return h, err
		}
		if h.Seq != 0 && one != h {
			return h, errors.New("states different heads of a journal; give one record at a time")
		}
		h = one
	}
	return h, nil
}

// hourly is how often a head is told where nothing happens that calls for one.
const hourly = time.Hour

// Every calls tell at once, each time now receives, and every hour, until ctx ends.
func Every(ctx context.Context, now <-chan struct{}, tell func()) {
	t := time.NewTicker(hourly)
	defer t.Stop()
	for {
		tell()
		select {
		case <-ctx.Done():
			return
		case <-now:
		case <-t.C:
		}
	}
}
