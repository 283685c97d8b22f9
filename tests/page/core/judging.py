# SPDX-License-Identifier: MIT
"""The page's contract and settings in Node, run as a whole or asked one question at a time."""

from __future__ import annotations

import json
import os
import subprocess
import tempfile
import xml.etree.ElementTree as ET
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any, NamedTuple

from scripts.derive import page_bundle
from tests.line_process import LineProcess
from tests.waiting import LONG

HERE = Path(__file__).parent


class Ran(NamedTuple):
    """One test that Node ran: the suite that it is of ("" for none), and why it failed."""

    suite: str
    name: str
    failure: str | None


def run_tests() -> list[Ran]:
    """Run every *.test.js beside this file; return what was run."""
    files = sorted(map(str, HERE.glob("*.test.js")))
    with german_page() as environment:
        done = subprocess.run(
            ["node", "--test", "--test-reporter=junit", *files],
            env=environment,
            capture_output=True,
            text=True,
            check=False,
            timeout=LONG,
        )
    ran = []
    root = ET.fromstring(done.stdout)  # noqa: S314 - our own test run wrote it
    for parent in root.iter():
        suite = parent.get("name", "") if parent.tag == "testsuite" else ""
        for case in parent.findall("testcase"):
            failure = case.find("failure")
            why = None if failure is None else failure.get("message", "failed")
            ran.append(Ran(suite, case.get("name", ""), why))
    assert done.returncode == 0 or any(each.failure for each in ran), done.stderr
    return ran


@contextmanager
def german_page() -> Iterator[dict[str, str]]:
    """Put the page's source code in German somewhere; yield an environment that says where."""
    with tempfile.TemporaryDirectory() as made:
        folder = Path(made) / "page"
        page_bundle.copy("de", folder)
        (Path(made) / "package.json").write_text('{"type": "module"}', encoding="utf-8")
        yield {**os.environ, "GERMAN_PAGE": folder.as_uri()}


class Judge(LineProcess):
    """judge.js in a process of its own."""

    def __init__(self) -> None:
        super().__init__("node", HERE / "judge.js")

    def ask(self, about: str, **question: object) -> Any:  # any: whatever JSON holds
        """Return what the page makes of a question; judge.js has the kinds of question."""
        self.write(json.dumps({"about": about, **question}))
        return json.loads(self.read())
