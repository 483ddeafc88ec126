package web

import (
	"crypto/hmac"
	"crypto/rand"
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"runtime"
	"strconv"
	"strings"
	"sync"
	"time"

	"github.com/rs/zerolog"
)

// signedFor is how long a browser may act before it is asked again. Nobody should be asked in the
// middle of a part, or every morning. A cookie that says more is refused.
const signedFor = 30 * 24 * time.Hour

// mostEnded is how many sessions may be signed out before all end. Each needed the passphrase.
const mostEnded = 4096

// Sessions are the browsers that have given the passphrase. They are kept in a file, so that a
// restart asks nobody again. [OpenSessions] makes it; its methods may be called from any goroutine.
type Sessions struct {
	path string
	log  zerolog.Logger

	writing sync.Mutex // held while the file is written
	mu      sync.Mutex // not held while the file is written, since a disk may take its time
	kept    sessionFile
}

// sessionFile is what the file holds, as JSON.
type sessionFile struct {
	Key   []byte           `json:"key"`   // signs the cookies; random
	Ended map[string]int64 `json:"ended"` // sessions that were signed out, with the time (Unix) when they would have ended
}

// sessionKey is the length of the key, bytes.
const sessionKey = 32

// OpenSessions reads the sessions from a file that only the program's user can read. If there is no
// such file, or others can read it, it makes a new one: then each browser is asked again. If that
// can't be written, the sessions end with the program, and the log says so.
func OpenSessions(path string, log zerolog.Logger) *Sessions {
	s := &Sessions{path: path, log: log}
	var err error
	if s.kept, err = readSessions(path); err == nil {
		return s
	}
	if !errors.Is(err, fs.ErrNotExist) {
		log.Warn().Err(err).Str("file", path).Msg("the key of the page's sessions is made anew: each browser is asked for the passphrase again")
	}
	s.renew()
	s.write()
	return s
}

func readSessions(path string) (f sessionFile, err error) {
	at, err := os.Lstat(path)
	switch {
	case err != nil:
		return f, err
	case !at.Mode().IsRegular():
		return f, errors.New("is no file")
	case at.Mode().Perm()&0o077 != 0 && runtime.GOOS != "windows":
		return f, fmt.Errorf("others could read it: its mode is %#o", at.Mode().Perm())
	}
	b, err := os.ReadFile(path)
	if err != nil {
		return f, err
	}
	if err := json.Unmarshal(b, &f); err != nil {
		return f, err
	}
	if len(f.Key) != sessionKey || f.Ended == nil {
		return f, errors.New("it is damaged")
	}
	return f, nil
}

// renew makes a new key, which ends all sessions.
func (s *Sessions) renew() {
	s.kept = sessionFile{Key: make([]byte, sessionKey), Ended: map[string]int64{}}
	_, _ = rand.Read(s.kept.Key) // it never fails
}

// write replaces the file. A reader finds the old one or the new one, whole. writing must be held if
// the sessions are in use.
func (s *Sessions) write() {
	err := func() error {
		s.mu.Lock()
		b, err := json.Marshal(s.kept)
		s.mu.Unlock()
		if err != nil {
			return err
		}
		f, err := os.CreateTemp(filepath.Dir(s.path), "."+filepath.Base(s.path)+"-*") // mode 0600, and never through a link
		if err != nil {
			return err
		}
		defer os.Remove(f.Name()) // it has another name by then, unless something failed
		_, err = f.Write(b)
		err = errors.Join(err, f.Sync(), f.Close())
		if err != nil {
			return err
		}
		return os.Rename(f.Name(), s.path)
	}()
	if err != nil {
		s.log.Warn().Err(err).Str("file", s.path).Msg("the page's sessions can't be kept: a restart asks each browser again, and forgets who signed out")
	}
}

// begin returns the value of the cookie of a new session. The mark is that of the passphrase.
func (s *Sessions) begin(mark string, now time.Time) string {
	session := strconv.FormatInt(now.Add(signedFor).Unix(), 10) + "." + rand.Text()
	s.mu.Lock()
	defer s.mu.Unlock()
	return session + "." + s.sign(session, mark)
}

// sign returns the signature of a session. It changes with the passphrase.
func (s *Sessions) sign(session, mark string) string {
	m := hmac.New(sha256.New, s.kept.Key)
	m.Write([]byte("fairbore page " + session + " " + mark))
	return hex.EncodeToString(m.Sum(nil))
}

// holds reports whether a cookie is that of a session that goes on.
func (s *Sessions) holds(value, mark string, now time.Time) bool {
	s.mu.Lock()
	defer s.mu.Unlock()
	_, _, ok := s.find(value, mark, now)
	return ok
}

// find returns the id of the session of a cookie and when it ends.
func (s *Sessions) find(value, mark string, now time.Time) (id string, until int64, ok bool) {
	cut := strings.LastIndexByte(value, '.')
	if cut < 0 || !hmac.Equal([]byte(value[cut+1:]), []byte(s.sign(value[:cut], mark))) {
		return "", 0, false
	}
	at, id, _ := strings.Cut(value[:cut], ".")
	until, err := strconv.ParseInt(at, 10, 64)
	if _, ended := s.kept.Ended[id]; ended || err != nil {
		return "", 0, false
	}
	left := time.Unix(until, 0).Sub(now)
	return id, until, left > 0 && left <= signedFor
}

// end makes a cookie useless, and returns when that is on disk.
func (s *Sessions) end(value, mark string, now time.Time) {
	if s.forget(value, mark, now) {
		s.writing.Lock()
		defer s.writing.Unlock()
		s.write()
	}
}

// forget makes a cookie useless, and reports whether it was not before.
func (s *Sessions) forget(value, mark string, now time.Time) bool {
	s.mu.Lock()
	defer s.mu.Unlock()
	id, until, ok := s.find(value, mark, now)
	if !ok {
		return false
	}
	for k, t := range s.kept.Ended {
		if t <= now.Unix() {
			delete(s.kept.Ended, k)
		}
	}
	s.kept.Ended[id] = until
	if len(s.kept.Ended) > mostEnded {
		s.renew()
	}
	return true
}
