# SPDX-License-Identifier: MIT
"""Generated files are what their sources make, and the table they come from holds together."""

from __future__ import annotations

import json
import os
import re
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from scripts import regenerate
from scripts.derive import page_bundle, source
from tests.waiting import LONG

ROOT = Path(__file__).parents[1]
SHARED = ROOT / "shared"


def test_generated_files_are_what_their_sources_make_on_any_machine() -> None:
    """Every one is there, the same in another folder, language, zone and hash order."""
    for seed in ("1", "2"):
        surroundings = os.environ | {
            "PYTHONHASHSEED": seed,
            "PYTHONPATH": str(ROOT),
            "LC_ALL": "C",
            "TZ": "Asia/Kathmandu",
        }
        command = [sys.executable, str(ROOT / "scripts" / "regenerate.py"), "--check"]
        done = subprocess.run(
            command,
            cwd="/",
            env=surroundings,
            capture_output=True,
            text=True,
            check=False,
            timeout=LONG,
        )
        assert (done.returncode, done.stdout) == (0, "")
        # Without Node the page's modules are not compared, which is said.
        assert (done.stderr == "") is (page_bundle.lacking() is None)


def test_every_generated_file_says_so() -> None:
    """Whoever opens a generated file reads in its head what made it, and no date or path.

    A compiled catalogue has no head that anybody reads; the one that it is made from has.
    """
    for path, content in regenerate.TARGETS:
        if path.endswith(".mo"):
            continue
        lines = content().decode().splitlines()[:5]
        head = "\n".join(line for line in lines if len(line) < 200)  # not the module itself
        assert re.search(r"scripts/regenerate\.py|`provision generate`", head), path
        assert not re.search(r"\b20\d\d-\d\d|(?<![\w.])/\w+/", head), path


def test_every_marker_in_a_page_has_a_section() -> None:
    """A page asks for no section that nothing generates."""
    for page in ROOT.glob("**/*.md"):
        if page.relative_to(ROOT).parts[0].startswith((".venv", "node_modules")):
            continue
        path = page.relative_to(ROOT).as_posix()
        asked = re.findall(r"^<!-- generated: (.*) -->$", page.read_text("utf-8"), re.MULTILINE)
        assert set(asked) <= {name for where, name, _ in regenerate.SECTIONS if where == path}


PAGE = """\
# Page

<!-- generated: one -->
old
<!-- end -->

<!-- generated: two -->
<!-- end -->
"""


def test_a_section_is_filled_and_nothing_else() -> None:
    """Only what stands between a section's own markers changes; a second time nothing does."""
    filled = regenerate.fill(PAGE, "one", "new \\1\n")
    assert filled == PAGE.replace("old\n", "new \\1\n")
    assert regenerate.fill(filled, "one", "new \\1\n") == filled


@pytest.mark.parametrize("name", ["three", "on", ".*"])
def test_a_page_without_the_markers_is_a_fault(name: str) -> None:
    """A section has its markers exactly once."""
    with pytest.raises(regenerate.MarkerError):
        regenerate.fill(PAGE, name, "")
    with pytest.raises(regenerate.MarkerError):
        regenerate.fill(PAGE + PAGE, "one", "")


def test_a_section_without_its_end_swallows_no_other() -> None:
    """The end of the next section is not taken for that of one which lacks its own."""
    with pytest.raises(regenerate.MarkerError):
        regenerate.fill(PAGE.replace("<!-- end -->\n", "", 1), "one", "")


def test_check_names_what_differs_and_writes_nothing(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """It ends with 1, and names each stale file and lacking marker; a run without it writes."""
    monkeypatch.setattr(regenerate, "ROOT", tmp_path)
    monkeypatch.setattr(regenerate, "TARGETS", [("made/file.txt", lambda: b"made\n")])
    sections = [("page.md", "one", lambda: "new\n"), ("page.md", "three", lambda: "lost\n")]
    monkeypatch.setattr(regenerate, "SECTIONS", sections)
    (tmp_path / "page.md").write_text(PAGE)

    assert regenerate.main(["--check"]) == 1
    said = capsys.readouterr()
    assert "made/file.txt differs" in said.out
    assert "page.md differs" in said.out
    assert "page.md has 0 sections `<!-- generated: three -->`" in said.err
    assert [path.name for path in tmp_path.iterdir()] == ["page.md"]
    assert (tmp_path / "page.md").read_text() == PAGE

    assert regenerate.main([]) == 0
    assert (tmp_path / "made" / "file.txt").read_bytes() == b"made\n"
    assert "new\n" in (tmp_path / "page.md").read_text()

    capsys.readouterr()
    assert regenerate.main(["--check"]) == 1  # for the marker alone
    assert capsys.readouterr().out == ""


def message(document: dict[str, Any], name: str) -> Any:
    """Return a message's row."""
    return next(row for row in document["messages"] if row["name"] == name)


CONTRADICTIONS: dict[str, tuple[Callable[[Any], Any], str]] = {
    "a number used twice": (
        lambda table: message(table, "undo").update(number=13),
        "message number used twice: 13",
    ),
    "a code used twice": (
        lambda table: table["codes"]["run"][1].update(code=0),
        "code of run used twice: 0",
    ),
    "a key used twice": (
        lambda table: message(table, "commit")["body"][1].update(key=1),
        "key of commit used twice: 1",
    ),
    "an even request": (
        lambda table: message(table, "locate").update(number=28),
        "locate: a request is odd",
    ),
    "a request without its reply": (
        lambda table: table["messages"].remove(message(table, "locate-reply")),
        "locate: a request is odd, and its reply is the next number",
    ),
    "legal in no state": (
        lambda table: message(table, "undo")["legal"].update(store=[]),
        "undo: a request has a meaning and says where it is legal",
    ),
    "legal in a state that is none": (
        lambda table: message(table, "undo")["legal"].update(store=["full"]),
        "undo: legal in a store state that is not declared",
    ),
    "a capability that is none": (
        lambda table: message(table, "undo").update(needs="magic"),
        "undo: needs a capability that is not declared",
    ),
    "bits that overlap": (
        lambda table: table["codes"]["ability"][2].update(code=3),
        "ability.analog is not a single bit",
    ),
    "a code that does not fit": (
        lambda table: table["codes"]["step"][2].update(code=256),
        "step.join is beyond its set's max",
    ),
    "a skippable key": (
        lambda table: message(table, "commit")["body"][2].update(key=64),
        "commit: keys ascend from 1 and stay below skippable-from",
    ),
    "an alternative that is required": (
        lambda table: message(table, "set-field")["body"][1].update(required=True),
        "set-field: a key of an alternative cannot be required by itself",
    ),
    "a transition from where it is illegal": (
        lambda table: table["transitions"].append(
            {"from": ["empty"], "message": "confirm", "to": "complete"}
        ),
        "confirm leads from a state where it is not legal",
    ),
    "a transition to nowhere": (
        lambda table: table["transitions"].append({"from": ["empty"], "event": "x", "to": "full"}),
        "a transition by x has a state that is none",
    ),
    "a set without codes": (
        lambda table: table["code-sets"].append({"name": "mood", "max": 255, "means": "how it is"}),
        "`code-sets` and `codes` do not name the same sets",
    ),
    "a kind's number used twice": (
        lambda table: table["kinds"][3].update(code=3),
        "code of kind used twice: 3",
    ),
    "a limit declared twice": (
        lambda table: table["limits"].append({"name": "max-key", "value": 40}),
        "limit used twice: max-key",
    ),
    "a limit that is none": (
        lambda table: table["kinds"][0].update(checks="length up to {max-novel}"),
        "there is no limit max-novel",
    ),
    "a gap in the keys of a map": (
        lambda table: table["maps"][2]["keys"].pop(4),
        "field: keys count from 1 without a gap",
    ),
    "a kind with a key that no field has": (
        lambda table: table["kinds"][0]["keys"].update(colour="may"),
        "text: has a key or a type of one that no field has",
    ),
}


@pytest.mark.parametrize("contradiction", CONTRADICTIONS)
def test_a_table_that_contradicts_itself_is_refused(contradiction: str, tmp_path: Path) -> None:
    """Nothing is generated from such a table, and the words say where it is wrong."""
    break_table, words = CONTRADICTIONS[contradiction]
    messages, schema = (
        json.loads((SHARED / name).read_text(encoding="utf-8"))
        for name in ("messages.json", "schema.json")
    )
    break_table({**messages, **schema, "codes": messages["codes"] | schema["codes"]})
    (tmp_path / "messages.json").write_text(json.dumps(messages))
    (tmp_path / "schema.json").write_text(json.dumps(schema))
    with pytest.raises(source.TableError, match=re.escape(words)):
        source.load(tmp_path)
