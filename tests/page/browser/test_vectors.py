# SPDX-License-Identifier: MIT
"""The page's contract, settings and session in a browser: what passes in Node passes there.

The tests are those of tests/page/core and tests/page/link that need nothing of Node but its runner:
every vector of shared/vectors, and the published examples of RFC 4648, 8949, 3720, 5952 and of IEEE
802.11. An import map puts stand-ins in the place of Node's modules (in_place_of_node).
"""

from __future__ import annotations

import json
import re
import shutil
import subprocess
from pathlib import Path
from typing import TYPE_CHECKING, Any

import pytest

from scripts.derive import page_bundle
from tests.page.browser import chromium
from tests.page.core.judging import german_page
from tests.waiting import LONG, PATIENCE, until

if TYPE_CHECKING:
    from playwright.sync_api import Playwright

ROOT = Path(__file__).parents[3]
IN_PLACE = "/tests/page/browser/in_place_of_node"
IMPORTS = {
    "node:test": f"{IN_PLACE}/test.js",
    "node:assert/strict": f"{IN_PLACE}/assert.js",
    "node:fs": f"{IN_PLACE}/fs.js",
}
SUITES = ["core/vectors", "core/standards", "link/conversations"]

pytestmark = pytest.mark.needs("chromium", "node")


def counted_by_node(suite: str) -> int:
    """Return how many tests Node's own runner finds in a suite, all of which pass."""
    command = ["node", "--test", "--test-reporter=tap", f"tests/page/{suite}.test.js"]
    with german_page() as environment:
        ran = subprocess.run(
            command,
            cwd=ROOT,
            env=environment,
            capture_output=True,
            text=True,
            check=True,
            timeout=LONG,
        )
    (count,) = re.findall(r"^# tests (\d+)$", ran.stdout, re.MULTILINE)
    return int(count)


@pytest.mark.parametrize("suite", SUITES)
def test_what_passes_in_node_passes_in_a_browser(
    playwright: Playwright, tmp_path: Path, suite: str
) -> None:
    """The same tests, as many of them."""
    for part in ("provision/page", "shared/vectors", "tests/contract/data", "tests/page"):
        shutil.copytree(
            ROOT / part, tmp_path / part, ignore=shutil.ignore_patterns("*.py", "*.png", "built")
        )
    page_bundle.copy("de", tmp_path / "german")
    script = (
        f'import "node:fs"; process.env.GERMAN_PAGE = "/german";'
        f'const {{ run }} = await import("node:test");'
        f'await import("/tests/page/{suite}.test.js"); globalThis.outcome = await run();'
    )
    (tmp_path / "index.html").write_text(
        f'<!doctype html><script type="importmap">{json.dumps({"imports": IMPORTS})}</script>'
        f'<script type="module">{script}</script>',
        encoding="utf-8",
    )
    with chromium.serve(tmp_path) as origin:
        browser = playwright.chromium.launch(
            executable_path=shutil.which("chromium"),
            args=[*chromium.FLAGS],
            timeout=PATIENCE * 1000,
        )
        page = browser.new_page()
        faults: list[str] = []
        page.on("pageerror", lambda error: faults.append(str(error)))
        page.goto(f"{origin}/index.html")
        outcome: dict[str, Any] = {}

        def is_over() -> bool:
            outcome.update(page.evaluate("globalThis.outcome") or {})
            return bool(faults or outcome)

        until(is_over, "the page has run its tests", lambda: page.wait_for_timeout(50))
        browser.close()
    assert faults == []
    assert outcome["failures"] == []
    assert outcome["count"] == counted_by_node(suite)
