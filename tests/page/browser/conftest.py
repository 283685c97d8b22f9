# SPDX-License-Identifier: MIT
"""The browser test room: pages in a real browser, before a real serial port that is none."""

from __future__ import annotations

import random
import string
import subprocess
from collections.abc import Callable, Iterator
from contextlib import ExitStack
from pathlib import Path
from typing import TYPE_CHECKING, Any

import pytest

from provision import cli
from tests.page.browser import chromium
from tests.page.browser.serial_lab import Adapter, Board, Lab, WiredBoard, why_not
from tests.wizard.bench import SCHEMAS
from tests.wizard.test_compiled_board import BOARD

if TYPE_CHECKING:
    from playwright.sync_api import BrowserContext, Playwright

STUB = Path(__file__).parents[3] / "firmware_stub"

Launch = Callable[..., "BrowserContext"]
"""browser(origin, granted=True, **options): a browser that a person has used at this origin."""


@pytest.fixture(scope="session")
def lab() -> Iterator[Lab]:
    """Return a pretended /sys without devices."""
    if (why := why_not()) is not None:
        pytest.skip(why)
    with Lab() as lab:
        yield lab


@pytest.fixture
def port(lab: Lab) -> Iterator[Adapter]:
    """Return a serial adapter that is not plugged in."""
    adapter = Adapter(lab)
    yield adapter
    if adapter.is_plugged:
        adapter.unplug()


# No longer than for one module: while it runs, no test of its thread can start a loop of asyncio.
@pytest.fixture(scope="module")
def playwright() -> Iterator[Playwright]:
    """Return what drives browsers."""
    api = pytest.importorskip("playwright.sync_api", reason="needs playwright (make env)")
    with api.sync_playwright() as playwright:
        yield playwright


@pytest.fixture
def profile(tmp_path: Path) -> Path:
    """Return the folder of the browser's profile."""
    return tmp_path / "profile"


@pytest.fixture
def browser(lab: Lab, playwright: Playwright, profile: Path) -> Iterator[Launch]:
    """Return what starts a browser, once in a test."""
    with ExitStack() as stack:

        def launch(origin: str, *, granted: bool = True, **options: Any) -> BrowserContext:
            context = chromium.start(playwright, lab, profile, origin if granted else None, options)
            stack.callback(context.close)
            return context

        yield launch


@pytest.fixture
def served(tmp_path: Path) -> Iterator[tuple[Path, str]]:
    """Return a folder that a static host serves, and the origin of its pages."""
    folder = tmp_path / "served"
    folder.mkdir()
    with chromium.serve(folder) as origin:
        yield folder, origin


@pytest.fixture(scope="session")
def planted() -> dict[str, str]:
    """Return the secrets of the board's world: random, so that no part of one is by chance."""
    draw = random.SystemRandom()
    characters = string.ascii_letters + string.digits
    return {
        key: "".join(draw.choices(characters, k=20))
        for key in ("network.passphrase", "service.key")
    }


@pytest.fixture
def c_board(port: Adapter, planted: dict[str, str], tmp_path: Path) -> Iterator[WiredBoard]:
    """Return the compiled stub, fresh from the loader and plugged in.

    In range is what schemas/orchard.networks has, with the planted secrets for those that it names.
    """
    if not BOARD.exists():
        pytest.skip("needs the compiled stub, firmware_stub/build/board_pty (make stub)")
    networks = (SCHEMAS / "orchard.networks").read_text(encoding="utf-8")
    for written, secret in (
        ("blossom-before-frost", planted["network.passphrase"]),
        ("w7-Zephyr.0419", planted["service.key"]),
    ):
        assert written in networks
        networks = networks.replace(written, secret)
    (tmp_path / "networks").write_text(networks, encoding="utf-8")
    options = ("--networks", str(tmp_path / "networks"), "--survey", "--log")
    board = WiredBoard(port, Board(BOARD, tmp_path, *options))
    board.plug()
    yield board
    board.close()


@pytest.fixture(scope="session")
def newer_firmware(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Return a later version of the board's firmware, which has one required setting more."""
    folder = tmp_path_factory.mktemp("newer")
    declared = (SCHEMAS / "orchard-frost-alarm.toml").read_text(encoding="utf-8")
    texts = declared.index("\n[translation.de]")
    schema = declared[:texts].replace('version = "1.4.0"', 'version = "1.5.0"') + ROWS
    (folder / "newer.toml").write_text(schema + declared[texts:] + ROWS_IN_GERMAN, "utf-8")
    assert cli.main(["generate", str(folder / "newer.toml"), "--out", str(folder)]) == 0
    (source,) = folder.glob("*.c")
    command = ["make", "-s", "-C", str(STUB), "generic", f"BUILD={folder}", "PV_PROVEN=1"]
    subprocess.run([*command, f"SCHEMA_C={source}"], check=True, timeout=300)
    return folder / "board_generic"


ROWS = """
[[section.field]]
key = "rows"
kind = "integer"
label = "Rows of trees"
required = true
minimum = 1
maximum = 400
"""

ROWS_IN_GERMAN = 'orchard.rows.label = "Baumreihen"\n'
