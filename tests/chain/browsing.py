"""A headless browser on a page: what its scripts find there, what it asks the network for, how it prints."""

from __future__ import annotations

import html
import json
import re
import shutil
import subprocess
from pathlib import Path
from typing import Any

import pytest

BROWSER = shutil.which("chromium") or shutil.which("chromium-browser") or shutil.which("google-chrome")
needs_browser = pytest.mark.skipif(BROWSER is None, reason="no headless browser here: install chromium")

_OPTIONS = (
    *("--headless", "--no-sandbox", "--disable-gpu", "--no-first-run", "--disable-background-networking"),
    "--host-resolver-rules=MAP * ~NOTFOUND",  # what it asks for on its own account goes nowhere
)
_POLICY = re.compile(r'<meta http-equiv="Content-Security-Policy"[^>]*>')
_TOLD = re.compile(r'<pre id="told">(.*?)</pre>', re.DOTALL)


class Browser:
    """Opens pages, each time anew. place: for its profile and for copies of pages."""

    def __init__(self, place: Path) -> None:
        self._place = place

    def run(self, page: Path, *options: str) -> subprocess.CompletedProcess[str]:
        assert BROWSER is not None
        words = [BROWSER, *_OPTIONS, f"--user-data-dir={self._place / 'profile'}", *options, page.as_uri()]
        return subprocess.run(words, capture_output=True, text=True, timeout=120)

    def told(self, page: Path, script: str, *, wide: int = 1200, dark: bool = False, before: str = "") -> Any:
        """
        Return what a script returns that is awaited in a copy of the page, in a frame so wide.

        The copy has no content policy, or it would run none. before: scripts that are loaded ahead of it.
        """
        asked = (
            f"<script>{before}</script><script>addEventListener('load', async () => {{ let found;"
            f" try {{ found = await (async () => {{ {script} }})() }} catch (wrong) {{ found = 'failed: ' + wrong }}"
            " parent.postMessage(JSON.stringify(found), '*') })</script></body>"
        )
        copy, around = self._place / "copy.html", self._place / "around.html"
        text = _POLICY.sub("", page.read_text("utf-8"))
        assert text.count("</body>") == 1
        copy.write_text(text.replace("</body>", asked), "utf-8")
        around.write_text(
            '<!doctype html><pre id="told"></pre><script>addEventListener("message", (m) => {'
            ' document.getElementById("told").textContent = m.data })</script>'
            f'<iframe src="copy.html" style="border:0;width:{wide}px;height:2000px"></iframe>'
        )
        scheme = [f"--blink-settings=preferredColorScheme={0 if dark else 1}"]
        done = self.run(around, "--virtual-time-budget=60000", f"--window-size={wide + 40},2100", *scheme, "--dump-dom")
        found = _TOLD.search(done.stdout)
        assert found is not None, done.stderr
        assert found[1], f"the script came to no end: {done.stderr}"
        return json.loads(html.unescape(found[1]))

    def asks(self, page: Path) -> list[str]:
        """Return what a page asks for besides itself, whether it gets it or not; not what the browser itself does."""
        log = self._place / "net.json"
        self.run(page, f"--log-net-log={log}", "--dump-dom")
        told = json.loads(log.read_text("utf-8"))
        begins = told["constants"]["logEventTypes"]["URL_REQUEST_START_JOB"]
        asked = [event.get("params") or {} for event in told["events"] if event["type"] == begins]
        return [one["url"] for one in asked if one.get("initiator") != "not an origin" and "url" in one]

    def printed(self, page: Path, paper: str) -> Path:
        """Return the page printed on a paper, A4 or letter, as a PDF."""
        copy, pdf = self._place / "print.html", self._place / f"{paper}.pdf"
        text = page.read_text("utf-8")
        assert "</style>" in text
        copy.write_text(text.replace("</style>", f"@page {{ size: {paper} }}</style>", 1), "utf-8")
        self.run(copy, f"--print-to-pdf={pdf}", "--no-pdf-header-footer")
        return pdf


def npm_script(place: Path, package: str, file: str) -> str:
    """Return a script out of a package of the npm registry; skips where that can't be had."""
    npm = shutil.which("npm")
    if npm is None:
        pytest.skip(f"no npm here to fetch {package} with")
    words = [npm, "install", "--no-audit", "--no-fund", "--ignore-scripts", "--prefix", str(place), package]
    try:
        done = subprocess.run(words, capture_output=True, text=True, timeout=100, stdin=subprocess.DEVNULL)
    except subprocess.TimeoutExpired:
        pytest.skip(f"{package} can't be fetched: the npm registry doesn't answer")
    found = place / "node_modules" / package.split("@")[0] / file
    if done.returncode or not found.is_file():
        pytest.skip(f"{package} can't be fetched from the npm registry: {done.stderr.strip()[-200:]}")
    return found.read_text("utf-8")
