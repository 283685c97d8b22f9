# SPDX-License-Identifier: MIT
"""What is looked at on a page in whatever state it is: who can use it, and whether it leaks."""

from __future__ import annotations

import json
import os
from collections.abc import Iterable, Iterator, Mapping
from pathlib import Path
from typing import TYPE_CHECKING, Any

import pytest

from tests.secrets.search import Canaries

if TYPE_CHECKING:
    from playwright.sync_api import Page

ROOT = Path(__file__).parents[3]
AXE = ROOT / "node_modules" / "axe-core" / "axe.min.js"
SCREENSHOTS = Path(__file__).parents[1] / "screenshots"
WRITES = os.environ.get("PROVISION_SCREENS") == "write"

NARROW: Mapping[str, Any] = {"viewport": {"width": 320, "height": 640}}
"""WCAG 2.2, 1.4.10 Reflow: a width of 320 CSS pixels, which is 1280 pixels at a zoom of 400 %."""

ZOOMED: Mapping[str, Any] = {"viewport": {"width": 640, "height": 400}, "device_scale_factor": 2}
"""WCAG 2.2, 1.4.4 Resize Text: 1280 by 800 pixels at a zoom of 200 %."""

_MOST_TOLD = 3  # elements of which it is told how they break one rule
_TAGS = ("wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa", "best-practice")

# Everything of a document as text, with what is in shadow trees, which page.content() leaves out.
_MARKUP = """() => {
  const trees = [document.documentElement];
  for (const tree of trees)
    for (const each of tree.querySelectorAll("*")) if (each.shadowRoot) trees.push(each.shadowRoot);
  return trees.map((tree) => tree.outerHTML ?? tree.innerHTML).join("\\n");
}"""

_STORED = """async () => {
  const stored = {
    "the address": location.href,
    "the title": document.title,
    "history.state": JSON.stringify(history.state),
    "localStorage": JSON.stringify({ ...localStorage }),
    "sessionStorage": JSON.stringify({ ...sessionStorage }),
    "the cookies": document.cookie,
    "window.name": window.name,
  };
  for (const { name } of await indexedDB.databases()) {
    const opened = await new Promise((resolve, reject) => {
      const request = indexedDB.open(name);
      request.onsuccess = () => resolve(request.result);
      request.onerror = () => reject(request.error);
    });
    const held = [];
    for (const store of opened.objectStoreNames) {
      const all = opened.transaction(store).objectStore(store);
      for (const list of [all.getAllKeys(), all.getAll()])
        held.push(await new Promise((resolve) => (list.onsuccess = () => resolve(list.result))));
    }
    opened.close();
    stored[`IndexedDB ${name}`] = JSON.stringify(held);
  }
  for (const name of await caches.keys()) stored[`cache ${name}`] = name;
  return stored;
}"""

_VALUES = """() => {
  const trees = [document];
  const values = [];
  for (const tree of trees)
    for (const each of tree.querySelectorAll("*")) {
      if (each.shadowRoot) trees.push(each.shadowRoot);
      if (typeof each.value === "string") values.push(each.value);
    }
  return values.join("\\n");
}"""


# The spacing that clause 1.4.12 names, in every tree of the page; then what has no room for it.
_SPACED = """() => {
  const sheet = new CSSStyleSheet();
  sheet.replaceSync(`* {
    line-height: 1.5 !important;
    letter-spacing: 0.12em !important;
    word-spacing: 0.16em !important;
  }
  p { margin-bottom: 2em !important; }`);
  const trees = [document];
  const cut = [];
  for (const tree of trees) {
    tree.adoptedStyleSheets = [...tree.adoptedStyleSheets, sheet];
    for (const each of tree.querySelectorAll("*")) {
      if (each.shadowRoot) trees.push(each.shadowRoot);
      const style = getComputedStyle(each);
      const isCut = style.overflow !== "visible" && style.overflow !== "auto" &&
        (each.scrollWidth > each.clientWidth + 1 || each.scrollHeight > each.clientHeight + 1);
      if (isCut && each.localName !== "input") cut.push(each.outerHTML.slice(0, 200));
    }
  }
  return cut;
}"""


def assert_everybody_can_use(page: Page) -> None:
    """Fail with every rule of WCAG 2.2, level AA, that axe-core finds broken, and where."""
    if not AXE.exists():
        pytest.skip("needs node_modules/axe-core (make env, where npm is installed)")
    page.evaluate(AXE.read_text(encoding="utf-8") + "\n;null")
    found = page.evaluate(
        "(tags) => axe.run(document, { runOnly: tags, resultTypes: ['violations'] })", list(_TAGS)
    )
    assert found["passes"], "axe-core looked at nothing"
    assert not found["violations"], "\n".join(_told(found["violations"]))


def _told(violations: Iterable[Mapping[str, Any]]) -> Iterator[str]:
    """Yield what is wrong, a line each: the rule, the elements, and why."""
    for rule in violations:
        yield f"{rule['id']}: {rule['help']} ({', '.join(rule['tags'])})"
        for node in rule["nodes"][:_MOST_TOLD]:
            why = node["failureSummary"].replace("\n", " ")
            yield f"    {json.dumps(node['target'])}: {why}"
        if (more := len(rule["nodes"]) - _MOST_TOLD) > 0:
            yield f"    and {more} more"


def assert_fits_its_width(page: Page) -> None:
    """Fail where a page must be scrolled sideways (WCAG 2.2, 1.4.10 Reflow)."""
    width, shown = page.evaluate(
        "() => [document.documentElement.scrollWidth, document.documentElement.clientWidth]"
    )
    assert width <= shown, f"{width} pixels wide, of which {shown} are shown"


def assert_text_can_be_spaced(page: Page) -> None:
    """Fail where text is cut off when a person spaces it out (WCAG 2.2, 1.4.12 Text Spacing)."""
    cut = page.evaluate(_SPACED)
    assert not cut, cut
    assert_fits_its_width(page)


def keep_screenshot(page: Page, name: str) -> None:
    """Keep what stands on the page for a reader, where PROVISION_SCREENS=write.

    Its pixels depend on the fonts of a system, so they are compared by nobody; but a state that is
    tested has its picture.
    """
    kept = SCREENSHOTS / f"{name}.png"
    if WRITES:
        SCREENSHOTS.mkdir(exist_ok=True)
        page.screenshot(path=kept, full_page=True, animations="disabled", scale="css")
    assert kept.exists(), f"{kept} is missing: PROVISION_SCREENS=write makes it"


def assert_keeps_no_secret(
    page: Page, secrets: Mapping[str, str], *, also_in_fields: bool = True
) -> None:
    """Fail where a secret, or six of its characters in any form, is anywhere that a page has.

    That is its elements with all attributes, what it has stored, its address and history, and the
    cookies. secrets: random, by name. also_in_fields: whether no field may hold one as what is
    typed in it; while it is asked, one does.
    """
    canaries = Canaries({name: secret.encode() for name, secret in secrets.items()})
    places: dict[str, str] = {"the page": page.evaluate(_MARKUP), **page.evaluate(_STORED)}
    places["all cookies"] = json.dumps(page.context.cookies())
    if also_in_fields:
        places["a field"] = page.evaluate(_VALUES)
    assert not (found := canaries.find_in_all(places.items())), found


def assert_profile_has_no_secret(profile: Path, secrets: Mapping[str, str]) -> None:
    """Fail where a secret is in any file that the browser has written; it must have ended."""
    files = [path for path in profile.rglob("*") if path.is_file() and not path.is_symlink()]
    assert files, f"there is no profile in {profile}"
    for path in files:
        data = path.read_bytes()
        for name, secret in secrets.items():
            for code in ("utf-8", "utf-16-le"):
                assert secret.encode(code) not in data, f"{name} is in {path.relative_to(profile)}"
