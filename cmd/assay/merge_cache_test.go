//go:build linux

package main

import (
	"fmt"
	"math/rand/v2"
	"os"
	"path/filepath"
	"testing"
	"time"
)

const volumeKey = "0123456789abcdef"

// aVolume gives a volume as a run of some minute writes it: of the whole (part 0), or of a
// part of three.
func aVolume(dir string, part, minute int, parts, names string, ids ...string) *volume {
	path := (keeping{base: filepath.Join(dir, volumeKey)}).verdicts()
	if part > 0 {
		path = (keeping{base: filepath.Join(dir, volumeKey), part: shard{part, 3}}).verdicts()
	}
	v := &volume{path: path, kept: map[string]keptVerdict{}, head: memoryHead{Version: memoryVersion, When: time.Date(2026, 11, 3, 3, minute, 0, 0, time.UTC),
		Parts: []basis{{"PHP", parts}}, Names: []string{names}, Files: map[string]string{"src/Kiln.php": "sum"}, Outputs: []string{path}}}
	for _, id := range ids {
		v.kept[id] = keptVerdict{storedLine: storedLine{ID: id, Status: "survived", Ran: minute}, File: "src/Kiln.php", When: int64(minute)}
	}
	return v
}

// A basis is a part of what verdicts rest on, under a name that is free in aVolume.
type basis = part

func wrote(t *testing.T, list ...*volume) {
	t.Helper()
	for _, v := range list {
		if err := v.write(); err != nil {
			t.Fatal(err)
		}
	}
}

// found gives each verdict of a cache by ID: by what it rests on, and the minute of its run.
func found(t *testing.T, dir string) map[string]map[string]int {
	t.Helper()
	out := map[string]map[string]int{}
	for _, path := range (keeping{base: filepath.Join(dir, volumeKey)}).all() {
		v, err := readVolume(path)
		if err != nil {
			t.Fatal(err)
		}
		rests := v.head.Parts[0].Sum + " " + v.head.Names[0]
		if out[rests] == nil {
			out[rests] = map[string]int{}
		}
		for id, k := range v.kept {
			out[rests][id] = max(out[rests][id], k.Ran)
		}
	}
	return out
}

func volumesIn(t *testing.T, dir string) int {
	t.Helper()
	return len((keeping{base: filepath.Join(dir, volumeKey)}).all())
}

func TestVolumes(t *testing.T) {
	dir, other := t.TempDir(), t.TempDir()
	// All parts of a run, in two caches, and what was known before: one volume, of the newest.
	wrote(t, aVolume(dir, 0, 1, "8.2", "a", "m1", "m9"), aVolume(dir, 1, 5, "8.2", "a", "m1"), aVolume(other, 2, 6, "8.2", "a", "m2"), aVolume(other, 3, 7, "8.2", "a", "m3"))
	n, err := mergeVolumes(filepath.Join(dir, volumeKey), []string{other})
	if err != nil || n != 4 || volumesIn(t, dir) != 1 {
		t.Fatalf("%d verdicts in %d volumes, %v", n, volumesIn(t, dir), err)
	}
	for id, minute := range map[string]int{"m1": 5, "m2": 6, "m3": 7, "m9": 1} {
		if got := found(t, dir)["8.2 a"][id]; got != minute {
			t.Errorf("%s is of minute %d, want %d", id, got, minute)
		}
	}
	if volumesIn(t, other) != 2 {
		t.Error("the other cache is not as it was")
	}

	// One part with another PHP, and the others are missing: both stay.
	wrote(t, aVolume(dir, 1, 8, "8.4", "a", "m1"))
	if _, err := mergeVolumes(filepath.Join(dir, volumeKey), nil); err != nil {
		t.Fatal(err)
	}
	if got := found(t, dir); len(got["8.2 a"]) != 4 || len(got["8.4 a"]) != 1 {
		t.Errorf("%v", got)
	}
	// All parts with it: the old ones go, as after a run in one piece.
	wrote(t, aVolume(dir, 2, 9, "8.4", "a", "m2"), aVolume(dir, 3, 9, "8.4", "a", "m3"))
	if _, err := mergeVolumes(filepath.Join(dir, volumeKey), nil); err != nil {
		t.Fatal(err)
	}
	if got := found(t, dir); len(got) != 1 || len(got["8.4 a"]) != 3 || volumesIn(t, dir) != 1 {
		t.Errorf("%v in %d volumes", got, volumesIn(t, dir))
	}

	// A volume that is torn is not passed over.
	path := aVolume(dir, 2, 9, "", "").path
	if err := os.WriteFile(path, []byte("torn"), 0o644); err != nil {
		t.Fatal(err)
	}
	if _, err := mergeVolumes(filepath.Join(dir, volumeKey), nil); err == nil {
		t.Error("a torn volume is passed over")
	}
}

// Whatever the volumes, in however many caches: none of the newest verdicts that rest on the
// same is lost, and what rests on something else is lost only where all parts were judged anew.
func TestVolumesLoseNothing(t *testing.T) {
	r := rand.New(rand.NewPCG(11, 0))
	for round := range 200 {
		dirs := []string{t.TempDir(), t.TempDir(), t.TempDir()}
		want, newest := map[string]map[string]int{}, ""
		whole := map[int]bool{}
		byName := map[string]string{} // two of one name rest on the same here
		for minute := range 1 + r.IntN(7) {
			part := r.IntN(4)
			parts := fmt.Sprint(r.IntN(2))
			name := fmt.Sprint(part)
			if was, ok := byName[name]; ok {
				parts = was
			}
			byName[name] = parts
			var ids []string
			for range 1 + r.IntN(4) {
				ids = append(ids, fmt.Sprintf("m%d", r.IntN(9)))
			}
			v := aVolume(dirs[r.IntN(3)], part, minute+1, parts, "a", ids...)
			if old, err := readVolume(v.path); err == nil {
				v.takeIn([]*volume{old}, func(n []string) []string { return n }) // as a run does
			}
			wrote(t, v)
			key := parts + " a"
			if newest != key {
				newest, whole = key, map[int]bool{}
			}
			if want[key] == nil {
				want[key] = map[string]int{}
			}
			for _, id := range ids {
				want[key][id] = minute + 1
			}
		}
		for name, parts := range byName {
			if parts+" a" == newest {
				var n int
				fmt.Sscan(name, &n)
				whole[n] = true
			}
		}
		isWhole := whole[0] || whole[1] && whole[2] && whole[3]
		if _, err := mergeVolumes(filepath.Join(dirs[0], volumeKey), dirs[1:]); err != nil {
			t.Fatal(err)
		}
		got := found(t, dirs[0])
		for key, verdicts := range want {
			if isWhole && key != newest {
				continue
			}
			for id, minute := range verdicts {
				if got[key][id] != minute {
					t.Fatalf("round %d: %s of %q is of minute %d, want %d; the newest rest on %q, whole: %v", round, id, key, got[key][id], minute, newest, isWhole)
				}
			}
		}
	}
}
