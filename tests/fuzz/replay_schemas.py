# SPDX-License-Identifier: MIT
"""Runs the fuzz target of schemas over the files of a folder, without libFuzzer: for coverage."""

from __future__ import annotations

import sys
from pathlib import Path

from tests.fuzz.schema import check

if __name__ == "__main__":
    for path in sorted(Path(sys.argv[1]).iterdir()):
        check(path.read_bytes())
