//go:build linux

package main

import (
	"errors"
	"io/fs"
	"path/filepath"
	"reflect"
	"slices"
	"strconv"
)

// mergeVolumes puts the volumes of a cache, and of other ones, together, and gives the
// number of verdicts. Volumes rest on the same if all that verdicts rest on in common is the
// same, and the project has the same files: these become one. What rests on something else
// is replaced by that, as by a run in one piece, once all parts are in it; else it stays
// where it is, in a volume of its own, and is used where it still holds.
func mergeVolumes(base string, others []string) (int, error) {
	all, err := volumesOf(base, others)
	if err != nil || len(all) == 0 {
		return 0, err
	}
	newestFirst(all)
	whole := &volume{path: base + verdictsEnding, head: all[0].head, kept: map[string]keptVerdict{}}
	var same, rest []*volume
	for _, v := range all {
		if reflect.DeepEqual(v.head.Parts, whole.head.Parts) && slices.Equal(v.head.Names, whole.head.Names) {
			same = append(same, v)
		} else {
			rest = append(rest, v)
		}
	}
	if !isWhole(same) && slices.ContainsFunc(rest, func(v *volume) bool { return filepath.Base(v.path) == filepath.Base(whole.path) }) {
		return laidOver(base, all)
	}
	whole.head.Files = nil
	for _, v := range same {
		for _, path := range v.head.Outputs {
			if !slices.Contains(whole.head.Outputs, path) {
				whole.head.Outputs = append(whole.head.Outputs, path)
			}
		}
	}
	whole.takeIn(same, func(names []string) []string { return names })
	if err := whole.write(); err != nil {
		return 0, err
	}
	gone := same
	if isWhole(same) {
		gone = all
	} else if _, err := laidOver(base, rest); err != nil {
		return 0, err
	}
	for _, v := range gone {
		if filepath.Dir(v.path) == filepath.Dir(base) && v.path != whole.path {
			if err := v.removeUnlessNew(); err != nil {
				return 0, err
			}
		}
	}
	return len(whole.kept), nil
}

// volumesOf reads the volumes of a project in some caches. One that cannot be read is an
// error: to leave it out would lose what it holds.
func volumesOf(base string, others []string) ([]*volume, error) {
	var all []*volume
	for _, dir := range append([]string{filepath.Dir(base)}, others...) {
		for _, path := range (keeping{base: filepath.Join(dir, filepath.Base(base))}).all() {
			v, err := readVolume(path)
			if errors.Is(err, fs.ErrNotExist) {
				continue
			}
			if err != nil {
				return nil, errors.New(path + " cannot be read (" + err.Error() + "); remove it")
			}
			all = append(all, v)
		}
	}
	return all, nil
}

// isWhole reports whether volumes are those of all parts of a run, or of one in one piece.
func isWhole(list []*volume) bool {
	parts := map[int]map[int]bool{}
	for _, v := range list {
		m := ofPart().FindStringSubmatch(filepath.Base(v.path)[len("0123456789abcdef"):])
		if m == nil {
			return true
		}
		number, _ := strconv.Atoi(m[1]) // they are digits
		of, _ := strconv.Atoi(m[2])
		if parts[of] == nil {
			parts[of] = map[int]bool{}
		}
		if parts[of][number] = true; len(parts[of]) == of {
			return true
		}
	}
	return false
}

// laidOver copies volumes of other caches into one, under the names that they have; of two
// with the same name the newer one stays, with what the older one has besides where both
// rest on the same.
func laidOver(base string, all []*volume) (int, error) {
	newestFirst(all)
	n := 0
	done := map[string]bool{}
	for i, v := range all {
		name := filepath.Base(v.path)
		if done[name] {
			continue
		}
		done[name] = true
		to := &volume{path: filepath.Join(filepath.Dir(base), name), head: v.head, kept: v.kept}
		had := len(v.kept)
		for _, o := range all[i+1:] {
			if filepath.Base(o.path) == name && reflect.DeepEqual(o.head.Parts, v.head.Parts) {
				to.takeIn([]*volume{o}, func(names []string) []string { return names })
			}
		}
		n += len(to.kept)
		if v.path == to.path && len(to.kept) == had {
			continue // as it is
		}
		if err := to.write(); err != nil {
			return 0, err
		}
	}
	return n, nil
}
