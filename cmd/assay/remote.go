//go:build linux

package main

import (
	"crypto/sha1"
	"crypto/sha256"
	"encoding/hex"
	"fmt"
	"net/url"
	"path"
	"regexp"
	"slices"
	"strings"

	"assay/mutate"
	"assay/report"
)

// A forge is a kind of site that shows the files of repositories. %r is the
// repository, %s the commit, %f the path in it, %l the line.
type forge struct {
	hosts   []string // "gitlab." is any host that begins so
	pattern string
}

// The patterns are those of the links that each site itself makes to a line of
// a file at a commit; from memory, for none of the sites can be asked here.
var forges = []forge{
	{[]string{"github.com"}, "https://%h/%r/blob/%s/%f#L%l"},
	{[]string{"gitlab.com", "gitlab."}, "https://%h/%r/-/blob/%s/%f#L%l"},
	{[]string{"bitbucket.org"}, "https://%h/%r/src/%s/%f#lines-%l"},
	{[]string{"codeberg.org", "gitea.", "forgejo."}, "https://%h/%r/src/commit/%s/%f#L%l"},
	{[]string{"git.sr.ht"}, "https://%h/%r/tree/%s/item/%f#L%l"},
}

// remoteOf finds out where the judged files can be read on the web: nil where
// git has no remote that is known, or no remote has the commit.
func remoteOf(r *mutate.Result) *report.Remote {
	root := r.Root
	said := func(args ...string) string {
		out, err := git(root, args...)
		if err != nil {
			return ""
		}
		return strings.TrimSpace(string(out))
	}
	commit := said("rev-parse", "--verify", "HEAD^{commit}")
	if commit == "" {
		return nil
	}
	names := strings.Fields(said("remote"))
	if i := slices.Index(names, "origin"); i > 0 {
		names[0], names[i] = names[i], names[0]
	}
	for _, name := range names {
		host, pattern := linePattern(said("remote", "get-url", name), commit)
		if pattern == "" || said("for-each-ref", "--contains", commit, "--count=1", "refs/remotes/"+name+"/") == "" {
			continue
		}
		prefix := repositoryPrefix(root)
		changed, ok := changedAt(root, commit, r)
		if !ok {
			return nil
		}
		pattern = strings.Replace(pattern, "%f", (&url.URL{Path: prefix}).EscapedPath()+"%f", 1)
		return &report.Remote{Name: host, Commit: commit[:12], URL: pattern, Changed: changed}
	}
	return nil
}

// changedAt gives the judged files whose text is not what the commit has: what
// lies in the work tree by now says nothing about what was judged.
func changedAt(root, commit string, r *mutate.Result) (map[string]bool, bool) {
	listed, err := git(root, "ls-tree", "-r", "-z", commit, "--", ".")
	if err != nil {
		return nil, false
	}
	blobs := map[string]string{}
	for _, entry := range strings.Split(string(listed), "\x00") { // mode type hash\tpath
		about, name, _ := strings.Cut(entry, "\t")
		if f := strings.Fields(about); len(f) == 3 {
			blobs[name] = f[2]
		}
	}
	changed, seen := map[string]bool{}, map[*mutate.Source]bool{}
	for _, v := range r.Verdicts {
		if s := v.Mutant.Source; !seen[s] {
			seen[s] = true
			changed[s.Path] = blobs[s.Path] == "" || blobs[s.Path] != blobHash(s.Text, len(blobs[s.Path]))
		}
	}
	return changed, true
}

// blobHash is git's name of a file's text, of that many hexadecimal digits.
func blobHash(text []byte, digits int) string {
	h := sha1.New()
	if digits == hex.EncodedLen(sha256.Size) {
		h = sha256.New()
	}
	fmt.Fprintf(h, "blob %d\x00", len(text))
	h.Write(text)
	return hex.EncodeToString(h.Sum(nil))
}

// scpForm is the short form of an SSH address: git@host:path.
var scpForm = regexp.MustCompile(`^(?:[^@/]+@)?([A-Za-z0-9.-]+):([^/].*)$`)

// linePattern gives the host of a remote and the pattern of a line of a file
// there; nothing of names and passwords in the address. "" where the site is
// not known.
func linePattern(remote, commit string) (host, pattern string) {
	repository := ""
	if u, err := url.Parse(remote); err == nil && slices.Contains([]string{"https", "http", "ssh", "git"}, u.Scheme) {
		host, repository = u.Hostname(), u.Path
	} else if m := scpForm.FindStringSubmatch(remote); m != nil {
		host, repository = m[1], m[2]
	}
	host = strings.ToLower(host)
	repository = strings.TrimSuffix(strings.Trim(path.Clean("/"+repository), "/"), ".git")
	if host == "" || !strings.Contains(repository, "/") {
		return "", ""
	}
	for _, f := range forges {
		for _, known := range f.hosts {
			if host == known || strings.HasSuffix(known, ".") && strings.HasPrefix(host, known) {
				return host, strings.NewReplacer("%h", host, "%r", (&url.URL{Path: repository}).EscapedPath(), "%s", commit).Replace(f.pattern)
			}
		}
	}
	return "", ""
}
