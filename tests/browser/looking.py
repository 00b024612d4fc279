"""Looking at pages with a real browser: how it is started, where the service is, and what a page did meanwhile."""

from __future__ import annotations

import json
import shutil
import subprocess
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from playwright.sync_api import Browser, BrowserContext, Page

from outside.node_packages import missing

ARGUMENTS = [
    "--no-sandbox",
    "--disable-gpu",
    "--disable-quic",
    "--no-first-run",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
]
PICTURES = Path(__file__).parents[2] / "out" / "pages"
LONGEST_WAIT_MS = 60_000
"""A loaded machine is not a defect: what has to come may take its time."""
DESKTOP, PHONE = (1280, 800), (360, 740)
RULES = ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa", "best-practice"]

_VIOLATIONS = """
window.violations = [];
document.addEventListener("securitypolicyviolation", (one) =>
  window.violations.push(`${one.violatedDirective}: ${one.blockedURI}`));
"""


def chromium() -> str:
    """Where the browser is; skipped with a reason where there is none, and failed where CI=true."""
    path = shutil.which("chromium") or "/usr/bin/chromium"
    if not Path(path).exists():
        missing("chromium, with which the pages are looked at, was not found on this machine")
    return path


@contextmanager
def running_demo() -> Iterator[str]:
    """`ebbmark serve --demo` on a free port; yields its address."""
    with subprocess.Popen(
        [sys.executable, "-m", "ebbmark", "serve", "--demo", "--port", "0"],
        stdout=subprocess.DEVNULL,
        stderr=subprocess.PIPE,
        text=True,
    ) as process:
        try:
            yield _address_said_by(process)
        finally:
            process.terminate()
            process.wait(timeout=10)


def _address_said_by(process: subprocess.Popen[str]) -> str:
    said = []
    for line in process.stderr or ():
        if line.startswith("The demo: "):
            return line.split()[-1].removesuffix("/demo/")
        said.append(line)
    raise AssertionError(f"the service did not start: {''.join(said)}")


@dataclass(slots=True)
class Watched:
    """A page, and everything that it asked for and complained of."""

    page: Page
    context: BrowserContext
    requests: list[str] = field(default_factory=list)
    complaints: list[str] = field(default_factory=list)

    def violations(self) -> list[str]:
        """What the content security policy stopped."""
        found: list[str] = self.page.evaluate("window.violations")
        return found

    def widest(self) -> int:
        """How wide the page is."""
        found: int = self.page.evaluate("document.documentElement.scrollWidth")
        return found


def open_everything(page: Page) -> None:
    """Open whatever can be opened, so that all of the page is there to be looked at."""
    page.evaluate("document.querySelectorAll('details').forEach((one) => { one.open = true; })")


def picture(page: Page, name: str) -> None:
    """A picture of the whole page, for a person to look at: out/pages/."""
    PICTURES.mkdir(parents=True, exist_ok=True)
    page.screenshot(path=PICTURES / f"{name.replace(' ', '-')}.png", full_page=True)


def broken_rules(page: Page, axe: str, *, opened: bool = True) -> list[str]:
    """Every rule that is broken, with the first place where it is; with all that can be opened, or as the page came."""
    page.wait_for_load_state()
    if opened:
        open_everything(page)
    page.evaluate(axe)
    found: dict[str, Any] = page.evaluate(
        f"axe.run(document, {{runOnly: {{type: 'tag', values: {json.dumps(RULES)}}}}})"
    )
    assert found["passes"]
    return [f"{one['id']}: {one['nodes'][0]['html'][:200]}" for one in found["violations"]]


@contextmanager
def watched(
    browser: Browser,
    *,
    size: tuple[int, int] = DESKTOP,
    dark: bool = False,
    script: bool = True,
    bypass_csp: bool = False,
) -> Iterator[Watched]:
    """A page of its own, with everything that it does written down."""
    context = browser.new_context(
        viewport={"width": size[0], "height": size[1]},
        color_scheme="dark" if dark else "light",
        java_script_enabled=script,
        bypass_csp=bypass_csp,
    )
    context.set_default_timeout(LONGEST_WAIT_MS)
    page = context.new_page()
    found = Watched(page, context)
    page.add_init_script(_VIOLATIONS)
    page.on("request", lambda one: found.requests.append(one.url))
    page.on("console", lambda one: found.complaints.append(f"{one.type}: {one.text}"))
    page.on("pageerror", lambda one: found.complaints.append(f"error: {one}"))
    yield found
    context.close()
