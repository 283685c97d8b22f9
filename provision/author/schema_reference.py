# SPDX-License-Identifier: MIT
"""`provision schema-reference`: what may stand in a schema file, for people and for their editors.

Both texts are those of the project's tree (schemas/README.md, schemas/schema-file.json), which the
installed package has as well.
"""

from __future__ import annotations

import argparse
import sys
from pathlib import Path

from provision.output import unwritten, write_file

_DONE, _USAGE = 0, 2  # exit codes, those of every command

_PACKED = Path(__file__).parents[1] / "schemas"  # in an installed package
_TREE = Path(__file__).parents[2] / "schemas"  # in the project's own tree


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Add what the command `schema-reference` takes."""
    parser.add_argument(
        "--json-schema",
        action="store_true",
        help="print the JSON Schema (draft-07) instead, with which an editor completes and checks",
    )
    parser.add_argument(
        "--out", type=Path, metavar="FILE", help="the file to write (default: standard output)"
    )
    parser.add_argument(
        "--replace", action="store_true", help="let --out overwrite an existing file"
    )
    parser.epilog = (
        "Many editors that know TOML find the JSON Schema by the first line of the schema file,"
        " `#:schema ./schema-file.json`; others have a setting for it."
    )


def run(arguments: argparse.Namespace) -> int:
    """Print the reference or the JSON Schema, or write it; return the exit code."""
    out: Path | None = arguments.out
    folder = _PACKED if _PACKED.is_dir() else _TREE
    name = "schema-file.json" if arguments.json_schema else "README.md"
    text = (folder / name).read_text(encoding="utf-8")
    if out is None:
        sys.stdout.write(text)
        return _DONE
    try:
        write_file(out, text.encode(), replace=arguments.replace)
    except OSError as error:
        sys.stderr.write(f"{unwritten(out, error)}\n")
        return _USAGE
    sys.stdout.write(f"{out}\n")
    return _DONE
