# SPDX-License-Identifier: MIT
"""Texts from a board are text on the page, whatever they look like (CWE-79, CWE-150).

The board is a virtual one, on the line of `provision page --serve`; its schema, and the names of
the networks that it finds, are written by somebody who wants the page to do something.
"""

from __future__ import annotations

import dataclasses
import shutil
import threading
from collections.abc import Iterator
from typing import TYPE_CHECKING

import pytest

from provision.author.page import Page as Published
from provision.author.page import as_preview
from provision.author.preview import Line, Server
from provision.board.engine import from_declaration
from provision.board.firmware import Device, read_surroundings
from provision.contract.table import Ability, Kind
from provision.schema.model import Field, Option, Pin, Schema, Section
from tests.page.browser import chromium
from tests.page.browser.person import OVERVIEW, REVIEW, Person
from tests.waiting import PATIENCE, join
from tests.wizard.bench import DEMO

if TYPE_CHECKING:
    from playwright.sync_api import Page, Playwright

IMAGE = '<img src=x onerror="document.title=1">'
SCRIPT = "</script><script>document.title=1</script>"
TURNED = "Off\u202eno\u2066 \x1b[31m\x07"

SCHEMA = Schema(
    "Alarm <b id=owned>",
    (
        Section(
            "a",
            IMAGE,
            (
                Field("name", Kind.NETWORK_NAME, f"N{IMAGE}", required=True),
                Field("on", Kind.YES_NO, TURNED, help=SCRIPT, default=True, required=True),
                Field(
                    "sort",
                    Kind.CHOICE,
                    "Sort{label}",  # looks like what say() fills
                    caution=f"javascript:alert(1) {IMAGE}",
                    options=(Option("one", f"1{IMAGE}", SCRIPT), Option("two", "{count}")),
                    default="one",
                    required=True,
                ),
                Field("pin", Kind.PIN, "Pin", needs=Ability.OUT, default=2, required=True),
            ),
        ),
    ),
    (Pin(2, Ability.OUT, "<i>2</i>", caution=IMAGE), Pin(3, Ability.OUT, taken=SCRIPT[:40])),
)
NETWORKS = "<u>Orchard</u>\t\t-50\n"


@pytest.fixture
def page(playwright: Playwright) -> Iterator[Page]:
    """Return the page in front of that board."""
    executable = shutil.which("chromium")
    if executable is None:
        pytest.skip("needs `chromium` (Debian package chromium)")
    declaration = dataclasses.replace(DEMO, schema=SCHEMA)
    device = Device(from_declaration(declaration), read_surroundings(NETWORKS))
    content = as_preview(Published(declaration)).encode()
    with Line(device) as line, Server({"/index.html": content}, line) as server:
        serving = threading.Thread(target=server.serve_forever, args=(0.02,))
        serving.start()
        browser = playwright.chromium.launch(
            executable_path=executable, args=[*chromium.FLAGS], timeout=PATIENCE * 1000
        )
        page = browser.new_page()
        page.on("pageerror", lambda error: pytest.fail(f"the page's script failed: {error}"))
        page.goto(server.url)
        yield page
        browser.close()
        server.shutdown()
        join(serving)


def test_texts_of_a_board_are_text_and_nothing_else(page: Page) -> None:
    """From the first question to what the board holds: no element of theirs, no turned writing."""
    title = page.title()
    person = Person(page)
    page.get_by_role("button", name="Choose the board's port").click()
    seen: list[str] = []
    for _ in range(20):
        page.locator("board-settings").locator("h2, legend, label.label").wait_for()
        text = page.evaluate("document.querySelector('board-settings').shadowRoot.textContent")
        seen.append(text)
        for made in ("img", "script", "b", "i", "u", "iframe"):
            assert page.locator("board-settings").locator(made).count() == 0, made
        assert not {"\u202e", "\u2066", "\x1b", "\x07"} & {*text}
        if OVERVIEW in text:
            break
        if "<u>Orchard</u>" in text and REVIEW not in text:
            person.choose("<u>Orchard</u>")
        page.locator("board-settings").locator("button[part=primary]").click()
    whole = "\n".join(seen)
    for text in (IMAGE, SCRIPT, "Sort{label}", "1" + IMAGE, "<i>2</i>", "<u>Orchard</u>"):
        assert text in whole
    assert OVERVIEW in seen[-1]
    assert page.title() == title
