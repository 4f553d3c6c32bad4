package board_test

import (
	"context"
	"fmt"
	"net/http"
	"net/http/httptest"
	"os"
	"os/exec"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/chromedp/cdproto/cdp"
	"github.com/chromedp/cdproto/emulation"
	"github.com/chromedp/cdproto/log"
	"github.com/chromedp/cdproto/network"
	"github.com/chromedp/cdproto/page"
	"github.com/chromedp/cdproto/runtime"
	"github.com/chromedp/chromedp"
	"github.com/stretchr/testify/require"
)

// One browser serves all tests: starting it costs more than any of them.
var browser struct {
	once sync.Once
	ctx  context.Context
	stop func()
	err  error
}

// closeBrowser ends the browser, if a test has started it.
func closeBrowser() {
	if browser.stop != nil {
		browser.stop()
	}
}

// startBrowser skips the test where there is no browser, and fails it where
// there has to be one.
func startBrowser(t *testing.T) context.Context {
	t.Helper()
	if testing.Short() {
		t.Skip("no browser in short tests")
	}
	program := ""
	for _, name := range []string{"chromium", "chromium-browser", "google-chrome"} {
		if p, err := exec.LookPath(name); err == nil {
			program = p
			break
		}
	}
	if program == "" {
		const hint = "no browser here: deploy/install-test-tools.sh installs one (Debian: apt-get install chromium)"
		if os.Getenv("CI") == "true" {
			t.Fatal(hint)
		}
		t.Skip(hint)
	}
	browser.once.Do(func() { browser.err = launch(program) })
	require.NoError(t, browser.err, "start %s", program)
	return browser.ctx
}

func launch(program string) error {
	profile, err := os.MkdirTemp("", "dwindle-pages-*")
	if err != nil {
		return err
	}
	flags := []chromedp.ExecAllocatorOption{
		chromedp.ExecPath(program), chromedp.UserDataDir(profile), chromedp.NoSandbox, chromedp.WSURLReadTimeout(30 * time.Second),
	}
	for _, f := range []string{
		"headless", "disable-gpu", "disable-quic", "no-first-run", "no-default-browser-check", "disable-background-networking",
		"disable-component-update", "disable-sync", "disable-default-apps", "disable-extensions", "disable-dev-shm-usage", "hide-scrollbars", "mute-audio",
	} {
		flags = append(flags, chromedp.Flag(f, true))
	}
	exe, end := chromedp.NewExecAllocator(context.Background(), flags...)
	ctx, closeTab := chromedp.NewContext(exe)
	browser.ctx = ctx
	browser.stop = func() {
		_ = chromedp.Cancel(ctx) // waits for the process
		closeTab()
		end()
		// Its children may still be writing.
		for range 50 {
			if os.RemoveAll(profile) == nil {
				return
			}
			time.Sleep(100 * time.Millisecond)
		}
	}
	return chromedp.Do(ctx)
}

// tab is one page of the browser, with what it complained about and what it
// loaded.
type tab struct {
	t    *testing.T
	ctx  context.Context
	base string

	mu       sync.Mutex
	complain []string
	asked    []string
	bytes    float64 // over the wire
}

// open gives a tab on the pages of a plant, served on loopback.
func open(t *testing.T, p *plant) *tab {
	t.Helper()
	return openAt(t, serve(p))
}

func openAt(t *testing.T, h http.Handler) *tab {
	t.Helper()
	all := startBrowser(t)
	srv := httptest.NewServer(h)
	t.Cleanup(srv.Close)
	ctx, cancel := chromedp.NewContext(all)
	t.Cleanup(cancel)
	ctx, timeout := context.WithTimeout(ctx, time.Minute)
	t.Cleanup(timeout)
	b := &tab{t: t, ctx: ctx, base: srv.URL}
	b.run()
	require.NoError(t, chromedp.Listen(ctx, b.hear))
	call(b, network.Enable, network.EnableParams{})
	call(b, log.Enable, cdp.Empty{})
	return b
}

// hear collects what the page says to its console, and what it loads.
func (b *tab) hear(event any) {
	b.mu.Lock()
	defer b.mu.Unlock()
	say := func(format string, args ...any) { b.complain = append(b.complain, fmt.Sprintf(format, args...)) }
	switch e := event.(type) {
	case *log.EventEntryAdded:
		say("log: %s: %s %s", e.Entry.Level, e.Entry.Text, e.Entry.URL)
	case *runtime.EventConsoleAPICalled:
		say("console: %s", e.Type)
	case *runtime.EventExceptionThrown:
		say("exception: %s", e.ExceptionDetails.Text)
	case *page.EventJavascriptDialogOpening:
		say("dialog: %s", e.Message)
	case *network.EventLoadingFailed:
		if !e.Canceled {
			say("not loaded: %s %s", e.ErrorText, e.BlockedReason)
		}
	case *network.EventRequestWillBeSent:
		b.asked = append(b.asked, e.Request.URL)
	case *network.EventLoadingFinished:
		b.bytes += e.EncodedDataLength
	}
}

func (b *tab) run(steps ...chromedp.Action[chromedp.Void]) {
	b.t.Helper()
	require.NoError(b.t, chromedp.Do(b.ctx, steps...))
}

// call sends one command of the debugger's protocol.
func call[P, R any](b *tab, command cdp.Command[P, R], params P) {
	b.t.Helper()
	_, err := chromedp.Call(b.ctx, command, params)
	require.NoError(b.t, err, command.Method)
}

// visit loads a page anew, as a first visitor would.
func (b *tab) visit(path string) {
	b.t.Helper()
	b.mu.Lock()
	b.complain, b.asked, b.bytes = nil, nil, 0
	b.mu.Unlock()
	call(b, network.ClearBrowserCache, cdp.Empty{})
	b.run(chromedp.Navigate(b.base + path))
}

// quiet requires that the page complained about nothing and loaded nothing
// from elsewhere.
func (b *tab) quiet() {
	b.t.Helper()
	b.mu.Lock()
	defer b.mu.Unlock()
	require.Empty(b.t, b.complain)
	for _, u := range b.asked {
		require.True(b.t, strings.HasPrefix(u, b.base+"/"), "loads %s", u)
	}
}

// weight is what the page took over the wire and what it asked for.
func (b *tab) weight() (float64, []string) {
	b.mu.Lock()
	defer b.mu.Unlock()
	return b.bytes, append([]string(nil), b.asked...)
}

// eval asks the page through the debugger, which its policy does not bind.
func eval[T any](b *tab, script string) T {
	b.t.Helper()
	out, err := chromedp.Run(b.ctx, chromedp.Evaluate[T](script, chromedp.EvalAwaitPromise))
	require.NoError(b.t, err)
	return out
}

// look sets width, ground and medium of the page that is shown.
func (b *tab) look(width int64, dark bool, medium string) {
	b.t.Helper()
	scheme := "light"
	if dark {
		scheme = "dark"
	}
	call(b, emulation.SetDeviceMetricsOverride, emulation.SetDeviceMetricsOverrideParams{Width: width, Height: 800, DeviceScaleFactor: 1, Mobile: width < 600})
	call(b, emulation.SetEmulatedMedia, emulation.SetEmulatedMediaParams{Media: medium, Features: []*emulation.MediaFeature{{Name: "prefers-color-scheme", Value: scheme}}})
}

// html is the document as it stands in the browser.
func (b *tab) html() string {
	b.t.Helper()
	return eval[string](b, `document.documentElement.outerHTML`)
}

// follow does what leads to another page and gives where that is.
func (b *tab) follow(step chromedp.Action[chromedp.Void]) string {
	b.t.Helper()
	resp, err := chromedp.RunResponse(b.ctx, step)
	require.NoError(b.t, err)
	return strings.TrimPrefix(resp.URL, b.base)
}
