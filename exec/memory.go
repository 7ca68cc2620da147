//go:build linux

package exec

import (
	"context"
	"errors"
	"fmt"
	"regexp"
	"strconv"
	"strings"
	"time"

	"assay/exec/supervisor"
)

// PHP's memory_limit is for a whole process, and what assay keeps in it beside the tests
// counts as well. A suite that comes near its limit by itself is given more.

// memoryBeside is how much more PHP may have then, in bytes.
const memoryBeside = 128 << 20

// bareLimit is how long the unchanged suite may take by itself.
const bareLimit = time.Hour

var exhausted = regexp.MustCompile(`Allowed memory size of ([0-9]+) bytes exhausted`)

// moreMemory reports whether a recording ended at PHP's limit on memory although the suite
// is green by itself: PHP has a higher limit from then on.
func (e *Engine) moreMemory(ctx context.Context, err error) (bool, error) {
	var bad *ProjectError
	if !errors.As(err, &bad) || e.facts.Raised > 0 {
		return false, nil
	}
	found := exhausted.FindStringSubmatch(bad.Error())
	if found == nil {
		return false, nil
	}
	limit, err := strconv.ParseInt(found[1], 10, 64)
	if err != nil {
		return false, nil
	}
	green, err := e.isGreenBare(ctx)
	if !green || err != nil {
		return false, err
	}
	e.raiseMemory(limit)
	return true, nil
}

// stillShort says what helps where a higher limit was of no use: the project sets one itself.
func stillShort(err error) error {
	var bad *ProjectError
	if errors.As(err, &bad) && exhausted.MatchString(bad.What) {
		return &ProjectError{bad.What, "The suite is green by itself, and assay needs memory in the same process: raise memory_limit in phpunit.xml, or where the tests set it."}
	}
	return err
}

// isGreenBare reports whether the user's own script ends well on unchanged code.
func (e *Engine) isGreenBare(ctx context.Context) (bool, error) {
	client, err := e.startClient(ctx, 1, e.confinement, false)
	if err != nil {
		return false, err
	}
	defer client.Kill()
	o, err := client.Bare(ctx, supervisor.Bare{Limit: int64(bareLimit)})
	return err == nil && o.Exit == 0 && !o.TimedOut, err
}

// raiseMemory has PHP have more memory than a limit, which is in bytes.
func (e *Engine) raiseMemory(limit int64) {
	e.dropLaunched() // they have the lower limit
	e.facts.Raised = limit + memoryBeside
	e.php = append(e.php, "-d", fmt.Sprintf("memory_limit=%d", e.facts.Raised))
}

// tellOfMemory says that PHP has more memory than it has by itself, where it does.
func (e *Engine) tellOfMemory() {
	if e.facts.Raised > 0 {
		e.remark("The suite comes near PHP's memory_limit of %d MB, and assay needs memory in the same process: tests run with %d MB here.",
			(e.facts.Raised-memoryBeside)>>20, e.facts.Raised>>20)
	}
}

// leaveRoom raises the limit for replays where the recording has come near it. setting is
// the value of memory_limit, "" where the project has set one, which would be put back; peak
// is what the recording has used, in bytes.
func (e *Engine) leaveRoom(setting string, peak int64) {
	if limit := quantity(setting); limit > 0 && peak > limit-memoryBeside/4 && e.facts.Raised == 0 {
		e.raiseMemory(limit)
	}
}

// quantity reads a size as PHP's settings have it (128M); 0 where it is none.
func quantity(setting string) int64 {
	setting = strings.ToUpper(strings.TrimSpace(setting))
	shift := 0
	for i, unit := range []string{"K", "M", "G"} {
		if strings.HasSuffix(setting, unit) {
			shift, setting = 10*(i+1), strings.TrimSuffix(setting, unit)
		}
	}
	n, err := strconv.ParseInt(setting, 10, 64)
	if err != nil || n < 0 || n > 1<<40>>shift {
		return 0
	}
	return n << shift
}
