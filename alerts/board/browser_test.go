package board_test

import (
	"flag"
	"fmt"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"github.com/chromedp/cdproto/emulation"
	"github.com/chromedp/chromedp"
	"github.com/chromedp/chromedp/kb"
	"github.com/stretchr/testify/require"

	"dwindle/alerts/board"
)

var shots = flag.String("shots", "", "write pictures of all pages into this folder")

// widths are a desk and the narrowest phone that WCAG 2.2 asks for (1.4.10).
var widths = []int64{1280, 320}

// pages are all pages, with a plant in every state.
var pages = []struct{ name, path string }{
	{"fleet", "/"}, {"area", "/?area=quay"}, {"alarms", "/alarms"}, {"types", "/alarms/types"}, {"point", "/points/P-0421"},
	{"withheld", "/points/P-0427"}, {"beyond", "/points/P-0426"}, {"health", "/health"}, {"renewing", renewing},
}

const renewing = "/alarms?renew=1"

func TestBrowserShowsPagesWithoutComplaint(t *testing.T) {
	b := open(t, newPlant(t, 40).withAlarms())
	for _, p := range pages {
		for _, width := range widths {
			b.look(width, false, "screen")
			b.visit(p.path)
			b.quiet()
			require.LessOrEqual(t, eval[int](b, `document.documentElement.scrollWidth`), int(width), "%s scrolls sideways", p.name)
			require.Empty(t, eval[[]string](b, clipped), "%s at %d: text is cut off", p.name, width)
		}
	}
}

// clipped finds elements whose text does not fit into them and is hidden.
const clipped = `[...document.querySelectorAll('main *:not(svg *)')].filter(e => {
	const s = getComputedStyle(e);
	return s.overflowX !== 'visible' && !e.classList.contains('unseen') && s.clipPath === 'none' && e.scrollWidth > e.clientWidth + 1 && e.clientWidth > 0;
}).map(e => e.outerHTML.slice(0, 120))`

// The rules of axe-core, on all pages, grounds and widths.
func TestBrowserFindsNoBarrier(t *testing.T) {
	axe, err := os.ReadFile("testdata/axe/axe.min.js")
	require.NoError(t, err)
	const ask = `axe.run(document, {runOnly: ['wcag2a', 'wcag2aa', 'wcag21a', 'wcag21aa', 'wcag22aa'], preload: false, resultTypes: ['violations']}).then(r => ({
		found: r.violations.flatMap(v => v.nodes.map(n => v.id + ': ' + n.target.join(' ') + ': ' + n.failureSummary)), rules: r.passes.length}))`
	type result struct {
		Found []string
		Rules int
	}
	check := func(b *tab, name, path string) {
		b.visit(path)
		eval[any](b, string(axe)+";0")
		for _, width := range widths {
			for _, dark := range []bool{false, true} {
				b.look(width, dark, "screen")
				r := eval[result](b, ask)
				if path == renewing {
					// The reader asked for it and can stop it on the page,
					// which WCAG 2.2 (2.2.1) allows; the rule cannot know.
					r.Found = slices.DeleteFunc(r.Found, func(f string) bool { return strings.HasPrefix(f, "meta-refresh:") })
				}
				require.Empty(t, r.Found, "%s, %d px, dark %v", name, width, dark)
				require.Greater(t, r.Rules, 5, "the rules ran")
			}
		}
	}
	b := open(t, newPlant(t, 7).withAlarms())
	for _, p := range pages {
		check(b, p.name, p.path)
	}
	check(b, "not found", "/nowhere")
	early := newPlant(t, 7)
	early.fleet, early.checks = nil, []board.Check{{Name: "forecast", Level: "bad", What: "the forecast failed", Try: "read the log"}}
	check(open(t, early), "before the first forecast", "/")
}

// focused describes what the keyboard is at.
const focused = `(() => {
	const e = document.activeElement;
	if (!e || e === document.body || e === document.documentElement) return null;
	const s = getComputedStyle(e), r = e.getClientRects()[0], all = [...document.querySelectorAll('a[href], summary')];
	const top = document.elementFromPoint(Math.min(r.x + r.width / 2, innerWidth - 1), r.y + r.height / 2);
	return {Nth: all.indexOf(e), What: e.outerHTML.slice(0, 100), Outline: s.outlineStyle, Width: parseFloat(s.outlineWidth), Seen: !!top && (top === e || e.contains(top))};
})()`

type focus struct {
	Nth     int
	What    string
	Outline string
	Width   float64
	Seen    bool
}

// Everything that can be followed is reached by Tab, in the order of the page,
// with a focus that is seen and that nothing lies upon; and backwards too.
func TestBrowserByKeyboard(t *testing.T) {
	b := open(t, newPlant(t, 40).withAlarms())
	for _, p := range pages {
		for _, width := range widths {
			b.look(width, false, "screen")
			b.visit(p.path)
			n := eval[int](b, `document.querySelectorAll('a[href], summary').length`)
			step := func(i int, keys string, opt ...chromedp.KeyOption) {
				b.run(chromedp.KeyEvent(keys, opt...))
				f := eval[*focus](b, focused)
				require.NotNil(t, f, "%s: stop %d of %d", p.name, i, n)
				require.Equal(t, i, f.Nth, "%s: %s", p.name, f.What)
				require.NotEqual(t, "none", f.Outline, f.What)
				require.GreaterOrEqual(t, f.Width, 2.0, f.What)
				require.True(t, f.Seen, "%s at %d: something lies upon %s", p.name, width, f.What)
				if i == 0 {
					require.Contains(t, f.What, `href="#main"`, "the way past the navigation comes first")
				}
			}
			for i := range n {
				step(i, kb.Tab)
			}
			for i := n - 2; i >= 0; i-- {
				step(i, kb.Tab, chromedp.KeyModifiers(chromedp.ModifierShift))
			}
		}
	}
	b.visit("/")
	b.run(chromedp.KeyEvent(kb.Tab), chromedp.KeyEvent(kb.Enter), chromedp.KeyEvent(kb.Tab))
	require.True(t, eval[bool](b, `document.querySelector('main').contains(document.activeElement)`), "the skip link skips")
}

// Paper is white and has nothing to click, also where the screen is dark.
func TestBrowserPrints(t *testing.T) {
	b := open(t, newPlant(t, 7).withAlarms())
	for _, p := range pages {
		b.visit(p.path)
		b.look(794, true, "print") // A4 at 96 px to the inch
		require.Equal(t, "rgb(255, 255, 255)", eval[string](b, `getComputedStyle(document.body).backgroundColor`), p.name)
		require.Equal(t, "rgb(0, 0, 0)", eval[string](b, `getComputedStyle(document.body).color`), p.name)
		require.Empty(t, eval[[]string](b, `[...document.querySelectorAll('nav, .skip')].filter(e => e.checkVisibility()).map(e => e.outerHTML.slice(0, 80))`), p.name)
		require.LessOrEqual(t, eval[int](b, `document.documentElement.scrollWidth`), 794, p.name)
	}
}

// A page of a big plant must come through a poor radio link.
func TestBrowserLoadsLittle(t *testing.T) {
	const points = 5000
	p := newPlant(t, points).withAlarms()
	// A flood of alarms, with all that can be said about each.
	for i := range 1000 {
		r := p.rows[i%3]
		r.ID = fmt.Sprintf("A-1%04d", i)
		p.rows = append(p.rows, r)
	}
	b := open(t, p)
	most := 0.0
	for _, p := range append(pages, struct{ name, path string }{"last", "/?page=25"}) {
		b.visit(p.path)
		bytes, asked := b.weight()
		t.Logf("%s: %.1f kB in %d requests", p.name, bytes/1000, len(asked))
		require.Positive(t, bytes)
		most = max(most, bytes)
	}
	require.Less(t, most, 200_000.0)
}

// Five thousand points are walked through page by page; each is shown once.
func TestBrowserPagesThroughABigPlant(t *testing.T) {
	const points = 5000
	b := open(t, newPlant(t, points))
	b.look(1280, false, "screen")
	b.visit("/")
	seen := map[string]bool{}
	for n := 1; ; n++ {
		for _, id := range eval[[]string](b, `[...document.querySelectorAll('.fleet tbody th a:first-child')].map(a => a.textContent)`) {
			require.False(t, seen[id], "%s twice", id)
			seen[id] = true
		}
		next := eval[string](b, `document.querySelector('a[rel=next]')?.getAttribute('href') ?? ''`)
		if next == "" {
			require.Equal(t, points/200, n)
			break
		}
		b.visit(next)
		b.quiet()
	}
	require.Len(t, seen, points)
}

// The pages hold no script, so they are the same where scripts are off, and
// links and folded parts work.
func TestBrowserWithoutScripts(t *testing.T) {
	p := newPlant(t, 7).withAlarms()
	b := open(t, p)
	b.look(1280, false, "screen")
	b.visit("/alarms")
	with := b.html()
	call(b, emulation.SetScriptExecutionDisabled, emulation.SetScriptExecutionDisabledParams{Value: true})
	b.visit("/alarms")
	require.Equal(t, with, b.html())
	b.run(chromedp.KeyEvent(kb.Tab), chromedp.KeyEvent(kb.Tab))
	require.Equal(t, "/", b.follow(chromedp.KeyEvent(kb.Enter)), "the first entry of the navigation")
	b.quiet()
}

// What devices and files say is text in the page and nothing else.
func TestBrowserShowsHostileTextAsText(t *testing.T) {
	p, id := hostilePlant(t)
	b := open(t, p)
	for _, path := range []string{"/", "/alarms", "/health", "/?area=%22%3E%3Cscript%3E"} {
		for _, width := range widths {
			b.look(width, false, "screen")
			b.visit(path)
			b.quiet()
			require.Zero(t, eval[int](b, `document.querySelectorAll('script, img, iframe, [onclick], [onerror]').length`), path)
			require.Contains(t, eval[string](b, `document.body.innerText`), "<script>alert(1)</script>", path)
			require.LessOrEqual(t, eval[int](b, `document.documentElement.scrollWidth`), int(width), path)
		}
	}
	// The page of the point is where the fleet's own link leads.
	b.visit("/")
	b.visit(eval[string](b, `[...document.querySelectorAll('.fleet tbody th a:first-child')].find(a => a.textContent.startsWith('a/')).getAttribute('href')`))
	b.quiet()
	require.Contains(t, eval[string](b, `document.querySelector('h1').textContent`), id)
}

// Not a test of its own: pictures for people to look at.
func TestBrowserTakesPictures(t *testing.T) {
	if *shots == "" {
		t.Skip("give -shots a folder to get pictures")
	}
	require.NoError(t, os.MkdirAll(*shots, 0o755))
	early := newPlant(t, 7)
	early.fleet = nil
	many := newPlant(t, 40).withAlarms()
	first := open(t, early)
	b := open(t, many)
	take := func(b *tab, name, path string) {
		for _, v := range []struct {
			width  int64
			dark   bool
			medium string
		}{{1280, false, "screen"}, {1280, true, "screen"}, {320, false, "screen"}, {320, true, "screen"}, {794, false, "print"}} {
			b.look(v.width, v.dark, v.medium)
			b.visit(path)
			png, err := chromedp.Run(b.ctx, chromedp.FullScreenshot(100))
			require.NoError(t, err)
			ground := map[bool]string{true: "dark", false: "light"}[v.dark]
			if v.medium == "print" {
				ground = "print"
			}
			require.NoError(t, os.WriteFile(filepath.Join(*shots, fmt.Sprintf("%s-%d-%s.png", strings.ReplaceAll(name, " ", "-"), v.width, ground)), png, 0o644))
		}
	}
	for _, p := range pages {
		take(b, p.name, p.path)
	}
	take(first, "before", "/")
	take(first, "before-point", "/points/P-0421")
}
