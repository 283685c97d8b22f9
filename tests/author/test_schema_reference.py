# SPDX-License-Identifier: MIT
"""`provision schema-reference`: the page about the schema file, and the JSON Schema for editors."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from provision.cli import main
from provision.wizard.result import ExitCode

SCHEMAS = Path(__file__).parents[2] / "schemas"
BOTH = [([], "README.md"), (["--json-schema"], "schema-file.json")]


@pytest.mark.parametrize(("options", "name"), BOTH)
def test_what_the_project_has_is_printed(
    options: list[str], name: str, capsys: pytest.CaptureFixture[str]
) -> None:
    """The whole file, and nothing else."""
    assert main(["schema-reference", *options]) == ExitCode.DONE
    assert capsys.readouterr() == ((SCHEMAS / name).read_text(encoding="utf-8"), "")


@pytest.mark.parametrize(("options", "name"), BOTH)
def test_it_is_written_byte_by_byte(
    options: list[str], name: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Another file stays, unless it is to be replaced."""
    out = tmp_path / "out"
    command = ["schema-reference", *options, "--out", str(out)]
    assert main(command) == ExitCode.DONE
    assert capsys.readouterr().out == f"{out}\n"
    assert out.read_bytes() == (SCHEMAS / name).read_bytes()
    out.write_text("mine", encoding="utf-8")
    assert main(command) == ExitCode.USAGE
    assert "--replace" in capsys.readouterr().err
    assert out.read_text(encoding="utf-8") == "mine"
    assert main([*command, "--replace"]) == ExitCode.DONE
    assert out.read_bytes() == (SCHEMAS / name).read_bytes()


def test_the_first_line_for_an_editor_is_a_comment(tmp_path: Path) -> None:
    """A schema file that names its JSON Schema is read like one that does not."""
    line = "#:schema ./schema-file.json"
    for page in ("README.md", "FIRST-DIALOG.md"):
        assert f"`{line}`" in (SCHEMAS / page).read_text(encoding="utf-8")
    file = tmp_path / "gate.toml"
    demo = SCHEMAS / "orchard-frost-alarm.toml"
    file.write_text(f"{line}\n{demo.read_text(encoding='utf-8')}", encoding="utf-8")
    assert main(["check", str(file)]) == ExitCode.DONE


def test_it_is_a_json_schema_of_the_draft_that_is_said(capsys: pytest.CaptureFixture[str]) -> None:
    """An editor asks by this name which rules count."""
    main(["schema-reference", "--json-schema"])
    schema = json.loads(capsys.readouterr().out)
    assert schema["$schema"] == "http://json-schema.org/draft-07/schema#"
