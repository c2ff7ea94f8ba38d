"""A real browser for tests that look at pages: one for all of them, without any way out.

Debian's `chromium` and `chromium-driver`, driven by selenium. Where one of them is missing these
tests skip, and say which. What every page is held to is computed in the page itself: contrast by
WCAG 2.1 (definitions of relative luminance and contrast ratio), overflow, headings, pictures, and
where the Tab key leads.
"""

from __future__ import annotations

import base64
import json
import shutil
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

#: Nothing listens there: whatever a page asks of the network fails, and stands in the log.
_NO_WAY_OUT = (
    "--proxy-server=127.0.0.1:9",
    "--proxy-bypass-list=<-loopback>",
    "--host-resolver-rules=MAP * ~NOTFOUND",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
)
_QUIET = (
    "--headless=new",
    "--no-sandbox",  # it refuses to start as root with one, as in containers
    "--disable-dev-shm-usage",
    "--disable-gpu",
    "--disable-extensions",
    "--no-first-run",
    "--hide-scrollbars",
)
_LEVELS = {"SEVERE", "WARNING", "INFO"}

# Colours as the browser itself paints them; the ground of a text is all that lies below it.
_COLOURS = """
const canvas = document.createElement('canvas');
canvas.width = canvas.height = 1;
const brush = canvas.getContext('2d', {willReadFrequently: true});
function rgba(text) {
  brush.clearRect(0, 0, 1, 1);
  brush.fillStyle = text;
  brush.fillRect(0, 0, 1, 1);
  const [r, g, b, a] = brush.getImageData(0, 0, 1, 1).data;
  return [r, g, b, a / 255];
}
function over(top, below) {
  return [0, 1, 2].map(i => top[i] * top[3] + below[i] * (1 - top[3])).concat(1);
}
function ground(element) {
  const layers = [];
  for (let e = element; e; e = e.parentElement) {
    const style = getComputedStyle(e);
    if (style.backgroundImage !== 'none') throw new Error('a picture below text: ' + e.tagName);
    layers.push(rgba(style.backgroundColor));
    if (layers.at(-1)[3] === 1) break;
  }
  return layers.reduceRight((below, top) => over(top, below), rgba('Canvas'));
}
function luminance(colour) {
  const [r, g, b] = colour.slice(0, 3).map(c => c / 255)
    .map(c => c <= 0.04045 ? c / 12.92 : ((c + 0.055) / 1.055) ** 2.4);
  return 0.2126 * r + 0.7152 * g + 0.0722 * b;
}
function contrast(one, other) {
  const [low, high] = [luminance(one), luminance(other)].sort((a, b) => a - b);
  return (high + 0.05) / (low + 0.05);
}
"""

_TEXTS = (
    _COLOURS
    + """
const found = [];
const walker = document.createTreeWalker(document.body, NodeFilter.SHOW_TEXT);
while (walker.nextNode()) {
  const node = walker.currentNode, element = node.parentElement;
  if (!node.data.trim() || !element.checkVisibility({visibilityProperty: true})) continue;
  if (['SCRIPT', 'STYLE', 'NOSCRIPT', 'TEMPLATE'].includes(element.tagName)) continue;
  const below = ground(element), ink = rgba(getComputedStyle(element).color);
  for (let e = element; e; e = e.parentElement) ink[3] *= getComputedStyle(e).opacity;
  found.push([contrast(over(ink, below), below), node.data.trim().slice(0, 60)]);
}
return found;
"""
)

_FOCUSED = (
    _COLOURS
    + """
const e = document.activeElement;
if (!e || e === document.body || e === document.documentElement) return null;
const style = getComputedStyle(e), box = e.getBoundingClientRect();
const drawn = style.outlineStyle !== 'none' && parseFloat(style.outlineWidth) > 0;
const outside = parseFloat(style.outlineOffset) < 0 ? e : e.parentElement;
return {
  place: [...document.querySelectorAll('*')].indexOf(e),
  name: e.getAttribute('aria-label') || e.textContent.trim().slice(0, 60),
  outline: drawn ? contrast(over(rgba(style.outlineColor), ground(outside)), ground(outside)) : 0,
  seen: box.width > 1 && box.height > 1 && box.bottom > 0 && box.top < innerHeight
    && box.right > 0 && box.left < innerWidth,
};
"""
)

_REACHABLE = """
const all = [...document.querySelectorAll('*')];
const scrolls = e => /auto|scroll/.test(getComputedStyle(e).overflowX)
  && e !== document.documentElement && e !== document.body
  && (e.scrollWidth > e.clientWidth || e.scrollHeight > e.clientHeight);
const asked = 'a[href], button, summary, input, select, textarea, [tabindex="0"]';
return all.map((e, i) => [e, i]).filter(([e]) => e.matches(asked) || scrolls(e))
  .filter(([e]) => e.checkVisibility({visibilityProperty: true}))
  .map(([e, i]) => [i, e.tagName + ' ' + (e.getAttribute('aria-label') || e.textContent.trim())
    .slice(0, 60)]);
"""

_OVERFLOW = """
const wide = document.documentElement.clientWidth;
const clipped = e => {
  for (let up = e.parentElement; up && up !== document.body; up = up.parentElement)
    if (getComputedStyle(up).overflowX !== 'visible') return true;
  return false;
};
const beyond = [...document.body.querySelectorAll('*')].filter(e => !clipped(e)
  && (e.getBoundingClientRect().right > wide + 0.5 || e.getBoundingClientRect().left < -0.5)
  && e.getBoundingClientRect().bottom > 0);
return (document.documentElement.scrollWidth > wide ? ['the page'] : []).concat(
  beyond.map(e => e.tagName + ' ' + e.textContent.trim().slice(0, 40)));
"""

_PICTURES = """
return [...document.images].map(i => ({alt: i.alt, width: i.naturalWidth, shown: i.width,
  height: i.height}));
"""


class Browser:
    """A window, and what can be asked of the page in it."""

    def __init__(self, driver: Any) -> None:
        self.driver = driver

    def open(self, page: Path | str, width: int = 1024, dark: bool = False) -> None:
        """Show a page (a file, or an address), so many px wide, in light or dark mode."""
        self.console()
        self.asked_for()
        self.size(width)
        self.mode("dark" if dark else "light")
        self.driver.get(page.resolve().as_uri() if isinstance(page, Path) else page)

    def size(self, width: int, height: int = 800) -> None:
        """Make the window so wide, in px; narrow ones behave as a phone does."""
        size = {"width": width, "height": height, "deviceScaleFactor": 1, "mobile": width < 600}
        self.ask("Emulation.setDeviceMetricsOverride", size)

    def mode(self, scheme: str, media: str = "") -> None:
        """Prefer ``light`` or ``dark``; ``media``: "print" shows the page as it is printed."""
        feature = {"name": "prefers-color-scheme", "value": scheme}
        self.ask("Emulation.setEmulatedMedia", {"media": media, "features": [feature]})

    def ask(self, command: str, parameters: dict[str, Any]) -> Any:
        """One command of the DevTools protocol."""
        return self.driver.execute_cdp_cmd(command, parameters)

    def run(self, script: str, *values: Any) -> Any:
        """Run a script in the page; what it returns."""
        return self.driver.execute_script(script, *values)

    def console(self) -> list[str]:
        """Messages of the page since the last time."""
        return [e["message"] for e in self.driver.get_log("browser") if e["level"] in _LEVELS]

    def asked_for(self) -> list[str]:
        """Addresses that pages have asked for since the last time, data: among them.

        Not what the browser's own first page is made of.
        """
        events = [json.loads(e["message"])["message"] for e in self.driver.get_log("performance")]
        sent = [e["params"] for e in events if e["method"] == "Network.requestWillBeSent"]
        pages = [one for one in sent if not one["documentURL"].startswith("chrome://")]
        return [one["request"]["url"] for one in pages]

    def texts(self) -> list[tuple[float, str]]:
        """Contrast ratio of every visible text against what lies below it, and the text."""
        return [(ratio, text) for ratio, text in self.run(_TEXTS)]

    def overflow(self) -> list[str]:
        """What reaches beyond the window's sides."""
        return list(self.run(_OVERFLOW))

    def pictures(self) -> list[dict[str, Any]]:
        """Of every img: alt, width (its own, px), shown and height (on the page, px)."""
        return list(self.run(_PICTURES))

    def headings(self) -> list[int]:
        """Levels of the headings, in their order."""
        script = (
            "return [...document.querySelectorAll('h1,h2,h3,h4,h5,h6')].map(h => +h.tagName[1])"
        )
        return list(self.run(script))

    def reachable(self) -> dict[int, str]:
        """What the Tab key must reach: place in the document -> name."""
        return {place: name for place, name in self.run(_REACHABLE)}

    def tab_stops(self, most: int = 300) -> list[dict[str, Any]]:
        """Where the Tab key leads, from the top: place, name, outline (its contrast; 0: none),
        seen (whether it is in the window)."""
        from selenium.webdriver import ActionChains, Keys

        self.run("document.activeElement.blur(); scrollTo(0, 0)")
        stops: list[dict[str, Any]] = []
        for _ in range(most):
            ActionChains(self.driver, duration=0).send_keys(Keys.TAB).perform()
            stop = self.run(_FOCUSED)
            if stop is None or (stops and stop["place"] == stops[0]["place"]):
                break
            stops.append(stop)
        return stops

    def pdf(self) -> bytes:
        """The page as printed on A4."""
        paper = {"paperWidth": 8.27, "paperHeight": 11.69, "printBackground": True}
        return base64.b64decode(self.ask("Page.printToPDF", paper)["data"])

    def picture(self, path: Path) -> None:
        """The whole page as a PNG file, to be looked at."""
        shot = self.ask("Page.captureScreenshot", {"captureBeyondViewport": True})
        path.write_bytes(base64.b64decode(shot["data"]))


def _missing() -> str:
    try:
        import selenium  # noqa: F401
    except ImportError:
        return "selenium is not installed (pip install '.[test]')"
    absent = [name for name in ("chromium", "chromedriver") if not shutil.which(name)]
    if absent:
        return f"{' and '.join(absent)} not found (Debian: chromium, chromium-driver)"
    return ""


@pytest.fixture(scope="session")
def browser(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Browser]:
    """One browser for all tests, without a network; skips where there is none."""
    if why := _missing():
        pytest.skip(f"no browser: {why}")
    from selenium import webdriver

    options = webdriver.ChromeOptions()
    options.binary_location = str(shutil.which("chromium"))
    profile = tmp_path_factory.mktemp("browser")
    for flag in (*_QUIET, *_NO_WAY_OUT, f"--user-data-dir={profile}"):
        options.add_argument(flag)
    options.set_capability("goog:loggingPrefs", {"browser": "ALL", "performance": "ALL"})
    service = webdriver.ChromeService(executable_path=shutil.which("chromedriver"))
    driver = webdriver.Chrome(options=options, service=service)
    driver.set_page_load_timeout(30)
    try:
        yield Browser(driver)
    finally:
        driver.quit()
