# SPDX-License-Identifier: MIT
"""What every tracked file promises: no machine's paths, a licence, a bounded size, whole links."""

from __future__ import annotations

import re
import shutil
import subprocess
from pathlib import Path, PurePosixPath

import pytest

ROOT = Path(__file__).parents[1]
LARGEST = 1_000_000  # bytes

# A folder that only one machine has. In pieces, so that this file passes its own check.
MACHINE_PATH = re.compile(
    r"(?<![A-Za-z0-9_.])/(?:(?:work|root)/|home/[A-Za-z0-9_-]+/)[A-Za-z0-9_.-]?"
)

SPDX = "SPDX-License-Identifier: MIT"
SOURCE_SUFFIXES = frozenset(
    {
        ".c",
        ".cc",
        ".cddl",
        ".cpp",
        ".css",
        ".h",
        ".hpp",
        ".html",
        ".js",
        ".ld",
        ".mk",
        ".mjs",
        ".py",
        ".s",
        ".sh",
    }
)
SOURCE_NAMES = frozenset({"Makefile", "pyproject.toml", ".ci/run"})

FENCED = re.compile(r"^(```|~~~).*?^\1", re.DOTALL | re.MULTILINE)
IN_LINE_CODE = re.compile(r"(`+)(?!`).+?(?<!`)\1(?!`)", re.DOTALL)
LINK = re.compile(
    r"\]\(\s*<?(?P<inline>[^)\s>]+)>?(?:\s+\"[^\"]*\")?\s*\)"
    r"|^\s{0,3}\[[^\]]+\]:\s*<?(?P<reference>[^\s>]+)",
    re.MULTILINE,
)


def machine_paths(text: str) -> list[str]:
    """Return the lines of `text` that hold a path of one machine."""
    return [line for line in text.splitlines() if MACHINE_PATH.search(line)]


def is_source(name: str) -> bool:
    """Tell whether a file is source code, which says its licence wherever it is copied."""
    path = PurePosixPath(name)
    return path.suffix in SOURCE_SUFFIXES or path.name in SOURCE_NAMES or name in SOURCE_NAMES


def has_licence(text: str) -> bool:
    """Tell whether the first line says the licence, or the one after an interpreter's line."""
    first, _, rest = text.partition("\n")
    return SPDX in (rest.partition("\n")[0] if first.startswith(("#!", "<!")) else first)


def broken_links(name: str, text: str, tracked: frozenset[str]) -> list[str]:
    """Return the local links of a Markdown page that lead to no tracked file or folder.

    A file that is there and not tracked is a broken link for everybody else.
    """
    broken = []
    prose = IN_LINE_CODE.sub("", FENCED.sub("", text))
    folders = {str(folder) for file in tracked for folder in PurePosixPath(file).parents}
    for match in LINK.finditer(prose):
        link = match["inline"] or match["reference"]
        target = link.partition("#")[0]
        if not target or re.match(r"[a-z][a-z0-9+.-]*:", target):
            continue
        parts: list[str] = []
        for part in (PurePosixPath(name).parent / target).parts:
            if part == ".." and parts and parts[-1] != "..":
                parts.pop()
            else:
                parts.append(part)
        resolved = str(PurePosixPath(*parts))
        if resolved not in tracked and resolved not in folders:
            broken.append(link)
    return broken


@pytest.fixture(scope="module")
def tracked() -> dict[str, bytes]:
    """Name and content of every tracked file."""
    if shutil.which("git") is None or not (ROOT / ".git").exists():
        pytest.skip("needs a git checkout, to know which files belong to the project")
    listing = subprocess.run(
        ["git", "ls-files", "-z"], cwd=ROOT, check=True, capture_output=True, timeout=60
    ).stdout
    names = [name for name in listing.decode().split("\0") if name]
    return {name: (ROOT / name).read_bytes() for name in names if (ROOT / name).is_file()}


@pytest.fixture(scope="module")
def texts(tracked: dict[str, bytes]) -> dict[str, str]:
    """Name and text of every tracked file; bytes that are no UTF-8 are replaced, not skipped."""
    return {name: content.decode(errors="replace") for name, content in tracked.items()}


def test_no_tracked_file_names_a_path_of_a_machine(texts: dict[str, str]) -> None:
    """What the project says is true on every machine."""
    found = {name: lines for name, text in texts.items() if (lines := machine_paths(text))}
    assert found == {}


def test_every_source_file_says_its_licence(texts: dict[str, str]) -> None:
    """A file that is copied into somebody's firmware still says what may be done with it."""
    assert [name for name, text in texts.items() if is_source(name) and not has_licence(text)] == []


def test_no_tracked_file_is_larger_than_a_megabyte(tracked: dict[str, bytes]) -> None:
    """A clone stays small: what is large is generated."""
    assert [name for name, content in tracked.items() if len(content) > LARGEST] == []


def test_local_links_lead_somewhere(texts: dict[str, str]) -> None:
    """Every link of a page to a file of the project leads to one that a clone has."""
    names = frozenset(texts)
    pages = {name: text for name, text in texts.items() if name.endswith(".md")}
    found = {
        name: links for name, text in pages.items() if (links := broken_links(name, text, names))
    }
    assert found == {}


@pytest.mark.parametrize(
    ("text", "found"),
    [
        ("see " + "/work" + "/main", True),
        ("open('" + "/root" + "/.cache')", True),
        ("/home" + "/somebody/board.toml", True),
        ("a/work/of/art, ./root/x, /homework/1, https://example.org/home", False),
    ],
)
def test_a_path_of_a_machine_is_found(text: str, found: bool) -> None:
    """The check of paths finds what it is for, and nothing else."""
    assert bool(machine_paths(text)) is found


@pytest.mark.parametrize(
    ("text", "licensed"),
    [
        (f"# {SPDX}\n", True),
        (f"#!/bin/sh\n# {SPDX}\n", True),
        (f"/* {SPDX} */\n", True),
        (f"import os\n# {SPDX}\n", False),
        ("", False),
    ],
)
def test_a_missing_licence_is_found(text: str, licensed: bool) -> None:
    """The check of licences looks at the first line, or the one after the interpreter's."""
    assert has_licence(text) is licensed


def test_a_broken_link_is_found() -> None:
    """The check of links resolves them from the page's folder and knows what is no local link."""
    page = """
[there](../README.md#top) [folder](../firmware) ![missing](picture.svg "A title")
[out](../../elsewhere.md) [web](https://example.org/x) [below](#below) `[code](code.md)`
[reference]: gone.md
```
[fenced](fenced.md)
```
"""
    tracked = frozenset({"README.md", "firmware/main.c", "docs/page.md"})
    broken = broken_links("docs/page.md", page, tracked)
    assert broken == ["picture.svg", "../../elsewhere.md", "gone.md"]
