"""A headless Chromium for tests of finished pages, and the accessibility rules that judge them.

The driver is Playwright with the Chromium of the system. The rules are axe-core, as bundled in the
package axe-playwright-python; nothing is fetched when tests run.
"""

from __future__ import annotations

import os
import shutil
from collections.abc import Iterator
from contextlib import contextmanager
from importlib.resources import files
from pathlib import Path
from typing import Any

import pytest
from playwright.sync_api import Browser, Page, sync_playwright

NAMES = ("chromium", "chromium-browser", "google-chrome")
_INLINE = ("image", "font")

# Rows and entries repeat a few forms thousands of times, and the rules take a millisecond or more
# for each: of every table, section and drawing (one image to a reader) the beginning is kept.
_SHORTENED = """() => {
  const keep = (parts, most) => [...parts].slice(most).forEach((part) => part.remove());
  for (const rows of document.querySelectorAll("tbody")) keep(rows.rows, 3);
  for (const part of document.querySelectorAll(".analysis"))
    keep(part.querySelectorAll(".entry"), 2);
  for (const drawing of document.querySelectorAll("svg")) drawing.replaceChildren();
}"""
# For colours, two of each form (chain of element and classes). The shadow at the edge of what
# scrolls is taken off: the rules cannot tell the contrast of text above it and would skip most.
_TWO_OF_EACH = """() => {
  const seen = new Map();
  const form = (element) => {
    let name = "";
    for (let at = element; at; at = at.parentElement) name += `${at.localName}.${at.className}<`;
    return name;
  };
  const repeated = "li, p, tr, div, figure, dt, dd, h3, .analysis, .sheet";
  for (const part of document.querySelectorAll(repeated)) {
    if (!part.isConnected || part.closest("header")) continue;
    const count = (seen.get(form(part)) ?? 0) + 1;
    seen.set(form(part), count);
    if (count > 2) part.remove();
  }
  const plain = document.createElement("style");
  plain.textContent = ".scroll { background: #fff !important }";
  document.head.append(plain);
}"""
_BY_COLOUR = ("color-contrast", "link-in-text-block")


def chromium_path() -> str:
    """Return the browser of this system; skips the test where there is none."""
    found = next((path for name in NAMES if (path := shutil.which(name))), None)
    if found is None:
        pytest.skip("no Chromium on this machine (Debian: package chromium)")
    return found


@contextmanager
def started() -> Iterator[Browser]:
    """Start a browser without a window, and end it."""
    # Chromium refuses to start as root inside its sandbox.
    options = ["--no-sandbox"] if os.geteuid() == 0 else []
    path = chromium_path()
    with sync_playwright() as driver:
        browser = driver.chromium.launch(executable_path=path, args=options)
        yield browser
        browser.close()


@contextmanager
def watched(browser: Browser, folder: Path, **options: Any) -> Iterator[Page]:
    """Open an empty page; at the end nothing may have failed or left `folder`.

    Every message of the console, every error of a script, every request and every socket counts.
    """
    options = {"viewport": {"width": 1280, "height": 900}, "reduced_motion": "reduce"} | options
    context = browser.new_context(**options)
    faults: list[str] = []
    own = folder.resolve().as_uri() + "/"

    def look_at(request: Any) -> None:
        inline = request.url.startswith("data:") and request.resource_type in _INLINE
        if not inline and not request.url.startswith(own):
            faults.append(f"request: {request.url[:200]}")

    context.on("request", look_at)
    context.on("requestfailed", lambda request: faults.append(f"failed: {request.url[:200]}"))
    context.on("console", lambda message: faults.append(f"{message.type}: {message.text}"))
    context.on("weberror", lambda error: faults.append(f"error: {error.error}"))
    page = context.new_page()
    page.set_default_timeout(15_000)
    page.on("websocket", lambda socket: faults.append(f"socket: {socket.url}"))
    yield page
    context.close()
    assert faults == []


def _findings(page: Page, rules: dict[str, Any]) -> list[dict[str, Any]]:
    # Without `preload` the rules fetch no style sheets.
    options = {"preload": False, "resultTypes": ["violations"], **rules}
    return page.evaluate("options => axe.run(document, options)", options)["violations"]


def accessibility_findings(page: Page) -> list[tuple[str, str, str]]:
    """Return (rule, impact, first element) of each rule of axe-core that the page breaks.

    Rules of colours look at two of each form; all others at every part of the page, its tables and
    lists of entries shortened.
    """
    page.evaluate((files("axe_playwright_python") / "axe.min.js").read_text(encoding="utf-8"))
    page.evaluate(_SHORTENED)
    found = _findings(page, {"rules": {name: {"enabled": False} for name in _BY_COLOUR}})
    page.evaluate(_TWO_OF_EACH)
    found += _findings(page, {"runOnly": list(_BY_COLOUR)})
    return [(each["id"], each["impact"], each["nodes"][0]["html"]) for each in found]
