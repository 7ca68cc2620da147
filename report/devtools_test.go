package report

import (
	"bufio"
	"bytes"
	"context"
	"encoding/json"
	"fmt"
	"os"
	"os/exec"
	"testing"
	"time"
)

// A tab is a page in a Chromium that runs in real time, as a reader sees it:
// browse and ask let the browser's clock jump. It is driven by the DevTools
// protocol over two pipes, a message ended by a zero byte
// (https://chromedevtools.github.io/devtools-protocol/).
type tab struct {
	t       testing.TB
	to      *os.File
	from    *bufio.Reader
	session string
	last    int
}

// tabOf opens an empty tab in a window of a size, in a browser of its own that
// ends with the test.
func tabOf(t testing.TB, size string) *tab {
	t.Helper()
	chromium := chromiumFor(t)
	in, to, err := os.Pipe()
	if err != nil {
		t.Fatal(err)
	}
	from, out, err := os.Pipe()
	if err != nil {
		t.Fatal(err)
	}
	ctx, cancel := context.WithTimeout(context.Background(), 8*time.Minute)
	cmd := exec.CommandContext(ctx, chromium, append(browserFlags(t), "--remote-debugging-pipe", "--window-size="+size, "about:blank")...)
	var errs bytes.Buffer
	cmd.Stderr, cmd.ExtraFiles = &errs, []*os.File{in, out}
	if err := cmd.Start(); err != nil {
		t.Fatal(err)
	}
	in.Close()
	out.Close()
	b := &tab{t: t, to: to, from: bufio.NewReader(from)}
	t.Cleanup(func() {
		fmt.Fprint(to, `{"id":0,"method":"Browser.close"}`+"\x00")
		to.Close()
		if err := cmd.Wait(); err != nil {
			t.Errorf("chromium: %v\n%s", err, &errs)
		}
		from.Close()
		cancel()
	})
	var opened struct{ TargetID, SessionID string }
	b.call("Target.createTarget", map[string]any{"url": "about:blank"}, &opened)
	b.call("Target.attachToTarget", map[string]any{"targetId": opened.TargetID, "flatten": true}, &opened)
	b.session = opened.SessionID
	return b
}

// call asks the browser for something and reads what it answers.
func (b *tab) call(method string, params map[string]any, answer any) {
	b.t.Helper()
	b.last++
	text, err := json.Marshal(map[string]any{"id": b.last, "method": method, "params": params, "sessionId": b.session})
	if b.session == "" {
		text, err = json.Marshal(map[string]any{"id": b.last, "method": method, "params": params})
	}
	if err != nil {
		b.t.Fatal(err)
	}
	if _, err := b.to.Write(append(text, 0)); err != nil {
		b.t.Fatalf("%s: %v", method, err)
	}
	for {
		text, err := b.from.ReadBytes(0)
		if err != nil {
			b.t.Fatalf("%s: the browser has gone: %v", method, err)
		}
		var m struct {
			ID     int
			Result json.RawMessage
			Error  *struct{ Message string }
		}
		if err := json.Unmarshal(text[:len(text)-1], &m); err != nil {
			b.t.Fatalf("%s: %v", method, err)
		}
		switch {
		case m.ID != b.last: // it tells of something that nobody asked for
		case m.Error != nil:
			b.t.Fatalf("%s: %s", method, m.Error.Message)
		default:
			if answer != nil {
				if err := json.Unmarshal(m.Result, answer); err != nil {
					b.t.Fatalf("%s: %v", method, err)
				}
			}
			return
		}
	}
}

// visit loads a page. Scripts that run have helpers as their first lines.
func (b *tab) visit(address, helpers string) {
	b.t.Helper()
	b.call("Page.enable", nil, nil)
	b.call("Page.addScriptToEvaluateOnNewDocument", map[string]any{"source": helpers}, nil)
	var went struct{ ErrorText string }
	b.call("Page.navigate", map[string]any{"url": address}, &went)
	if went.ErrorText != "" {
		b.t.Fatalf("%s: %s", address, went.ErrorText)
	}
}

// run runs the body of an asynchronous function in the page and reads what it
// returns.
func (b *tab) run(script string, answer any) {
	b.t.Helper()
	var got struct {
		Result           struct{ Value json.RawMessage }
		ExceptionDetails *struct{ Exception struct{ Description string } }
	}
	b.call("Runtime.evaluate", map[string]any{"expression": "(async () => {" + script + "})()", "awaitPromise": true, "returnByValue": true}, &got)
	if got.ExceptionDetails != nil {
		b.t.Fatalf("the page: %s", got.ExceptionDetails.Exception.Description)
	}
	if answer == nil {
		return
	}
	if err := json.Unmarshal(got.Result.Value, answer); err != nil {
		b.t.Fatalf("the page: %v: %s", err, got.Result.Value)
	}
}
