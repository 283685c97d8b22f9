# SPDX-License-Identifier: MIT
"""`provision stub`: the board's side in C, as a folder of one version to keep beside a firmware."""

from __future__ import annotations

import argparse
import sys
import tempfile
from importlib.metadata import version
from pathlib import Path

DONE, USAGE = 0, 2

PARTS = (
    "include",
    "src",
    "ports/port.h",
    "ports/practice_network.c",
    "ports/practice_network.h",
    "ports/pty",
    "STORAGE.md",
    "LICENSE",
)
"""What the folder has of the project, beside its own README.md and VERSION."""

_PACKED = Path(__file__).parents[1] / "stub"  # in an installed package
_TREE = Path(__file__).parents[2] / "firmware_stub"  # in the project's own tree


class StubError(Exception):
    """The folder cannot be written; one sentence. Nothing was changed."""


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Declare the command's arguments."""
    parser.add_argument(
        "--out", type=Path, required=True, metavar="DIR", help="the folder to write it into"
    )
    parser.add_argument(
        "--replace", action="store_true", help="overwrite a folder that was changed"
    )
    parser.epilog = (
        "The folder is called provision-stub-VERSION. Its README.md says which files a firmware"
        " needs; what `provision generate` of the same version writes compiles with it."
    )


def run(arguments: argparse.Namespace) -> int:
    """Write the folder. Returns the exit code."""
    try:
        folder = write(arguments.out, replace=arguments.replace)
    except StubError as error:
        sys.stderr.write(f"{error}\n")
        return USAGE
    except OSError as error:
        sys.stderr.write(f"{arguments.out}: cannot be written ({error.strerror}).\n")
        return USAGE
    sys.stdout.write(f"{folder}\n")
    return DONE


def write(out: Path, *, replace: bool = False) -> Path:
    """Write the folder of this version below `out`, whole or not at all; return it.

    A folder with the same content stays as it is. Raises StubError if there is one with another
    content, unless it is to be replaced, and OSError.
    """
    release = version("provision-over-serial")
    folder = out / f"provision-stub-{release}"
    out.mkdir(parents=True, exist_ok=True)
    with tempfile.TemporaryDirectory(prefix=".provision-stub-", dir=out) as made:
        fresh = Path(made) / folder.name
        _fill(fresh, release)
        if folder.exists():
            if content(folder) == content(fresh):
                return folder
            if not replace:
                raise StubError(
                    f"{folder}: already exists, and was changed: move your changes elsewhere, or"
                    " give --replace to overwrite them."
                )
            before = folder.rename(Path(made) / "before")
            try:
                fresh.rename(folder)
            except OSError:
                before.rename(folder)
                raise
        else:
            fresh.rename(folder)
    return folder


def content(folder: Path) -> dict[str, bytes]:
    """Return the files of a folder by their names within it."""
    return {
        str(path.relative_to(folder)): path.read_bytes()
        for path in sorted(folder.rglob("*"))
        if path.is_file()
    }


def _fill(folder: Path, release: str) -> None:
    for part in PARTS:
        source = _source(part)
        if source.is_dir():
            for name, octets in content(source).items():
                _put(folder / part / name, octets)
        else:
            _put(folder / part, source.read_bytes())
    _put(folder / "README.md", _source("VENDORED.md").read_bytes())
    _put(folder / "VERSION", f"{release}\n".encode())


def _put(path: Path, octets: bytes) -> None:
    path.parent.mkdir(parents=True, exist_ok=True)
    path.write_bytes(octets)


def _source(part: str) -> Path:
    if _PACKED.is_dir():
        return _PACKED / part
    return _TREE.parent / part if part == "LICENSE" else _TREE / part
