# SPDX-License-Identifier: MIT
"""Measure what the project promises of speed and size: one run, one table.

    python -m scripts.bench                  all of it, some two minutes
    python -m scripts.bench line growth      these parts
    python -m scripts.bench --json           for programs

Figures are ratios and counts. What a ratio compares with is measured in the same run, so that the
machine's own speed falls out of it.
"""

from __future__ import annotations

import argparse
import json
from collections.abc import Callable, Mapping

from scripts.bench import boards, codec, growth, line, messages, promptness
from scripts.bench.figures import Part, table

PARTS: Mapping[str, Callable[[], Part]] = {
    "line": line.measure,
    "bytes": messages.measure,
    "codec": codec.measure,
    "boards": boards.measure,
    "promptness": promptness.measure,
    "growth": growth.measure,
}


def main() -> None:
    """Measure the parts that the arguments ask for."""
    parser = argparse.ArgumentParser(
        prog="python -m scripts.bench", description="Measure speed and size, beside their goals."
    )
    parser.add_argument("parts", nargs="*", help=f"of: {', '.join(PARTS)} (default: all)")
    parser.add_argument("--json", action="store_true", help="print JSON")
    arguments = parser.parse_args()
    if unknown := set(arguments.parts) - PARTS.keys():
        parser.error(f"there is no part {', '.join(sorted(unknown))}")
    parts = [PARTS[name]() for name in PARTS if name in (arguments.parts or PARTS)]
    if arguments.json:
        rows = [figure.as_item() for part in parts for figure in part.figures]
        notes = {part.title: list(part.notes) for part in parts}
        print(json.dumps({"rows": rows, "notes": notes}, indent=2))
    else:
        print(table(parts))


if __name__ == "__main__":
    main()
