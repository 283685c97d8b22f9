# SPDX-License-Identifier: MIT
"""What is published: it builds, installs in a clean environment, and works there."""

from __future__ import annotations

import json
import os
import shutil
import subprocess
import sys
import tarfile
import zipfile
from pathlib import Path

import pytest

from provision.author import c_code, stub
from provision.schema_file.load import load_declaration
from provision.testing.boards import VirtualBoard
from provision.wizard.result import ExitCode
from tests.guide_runner import follow

ROOT = Path(__file__).parents[2]
SCHEMA = ROOT / "schemas" / "orchard-frost-alarm.toml"
ANSWERS = ROOT / "schemas" / "orchard-frost-alarm.answers.toml"
EXAMPLE = ROOT / "firmware_stub" / "example" / "orchard-lantern"


def run(
    program: Path, *arguments: str | Path, folder: Path, code: int = 0
) -> subprocess.CompletedProcess[str]:
    """Run a program of the clean environment outside of the project's tree."""
    ran = subprocess.run(
        [str(program), *map(str, arguments)],
        cwd=folder,
        stdin=subprocess.DEVNULL,
        capture_output=True,
        text=True,
        timeout=120,
        check=False,
        env={key: value for key, value in os.environ.items() if key != "PYTHONPATH"},
    )
    assert ran.returncode == code, ran.stderr + ran.stdout
    return ran


def test_the_wheel_has_the_package_and_the_stub_and_nothing_else(release: Path) -> None:
    """Typed; no tests, caches or generated folders."""
    (wheel,) = release.glob("*.whl")
    names = zipfile.ZipFile(wheel).namelist()
    tops = {name.split("/")[0] for name in names}
    assert {top for top in tops if not top.endswith(".dist-info")} == {"provision"}
    assert "provision/py.typed" in names
    assert "provision/stub/include/pv.h" in names
    assert [name for name in names if name.startswith("provision/schemas/")] == [
        *("provision/schemas/README.md", "provision/schemas/schema-file.json"),
    ]
    assert not [name for name in names if "__pycache__" in name or "/build/" in name]


def test_the_source_archive_makes_the_same_wheel(release: Path, tmp_path: Path) -> None:
    """Whoever builds from it gets what was published, file by file."""
    (archive,) = release.glob("*.tar.gz")
    (wheel,) = release.glob("*.whl")
    with tarfile.open(archive) as tar:
        names = [name.partition("/")[2] for name in tar.getnames()]
        assert {"tests/release/test_release.py", "shared/protocol.md", "LICENSE"} <= set(names)
        assert not [name for name in names if "__pycache__" in name or name.startswith(".venv")]
    # Without its cache, in which there may be the wheel of an earlier archive in the same place.
    pip = [sys.executable, "-m", "pip", "--no-input", "--disable-pip-version-check", "--quiet"]
    subprocess.run(
        [*pip, "wheel", "--no-cache-dir", "--no-deps", "--wheel-dir", str(tmp_path), str(archive)],
        check=True,
        capture_output=True,
        timeout=300,
    )
    (again,) = tmp_path.glob("*.whl")
    assert _contents(again) == _contents(wheel)


def _contents(wheel: Path) -> dict[str, int]:
    return {info.filename: info.CRC for info in zipfile.ZipFile(wheel).infolist()}


def test_a_person_installs_what_a_person_needs(installed: Path, tmp_path: Path) -> None:
    """The packages that README names, and what these need themselves; nothing of authors'."""
    listed = run(installed / "python", "-m", "pip", "list", "--format=freeze", folder=tmp_path)
    names = {line.partition("==")[0].lower().replace("_", "-") for line in listed.stdout.split()}
    assert names - {"pip", "setuptools"} == {
        *("provision-over-serial", "pyserial", "pyserial-asyncio", "cbor2", "google-crc32c"),
        *("prompt-toolkit", "wcwidth", "tzdata"),
    }


def test_the_commands_of_a_person_need_no_extra(installed: Path, tmp_path: Path) -> None:
    """From the help to erasing, with a board on a port."""
    provision = installed / "provision"
    assert "commands" in run(provision, "--help", folder=tmp_path).stdout
    assert run(provision, "--version", folder=tmp_path).stdout.startswith("provision ")
    assert "tty" in run(provision, "udev-rule", folder=tmp_path).stdout
    with VirtualBoard(SCHEMA, folder=tmp_path) as board:
        at = ("--port", board.port)
        done = run(provision, "setup", *at, "--answers", ANSWERS, folder=tmp_path)
        assert "the board works with them" in done.stdout
        assert "Lower orchard" in run(provision, "show", *at, folder=tmp_path).stdout
        run(provision, "export", *at, "--out", "exported.toml", folder=tmp_path)
        assert "Lower orchard" in (tmp_path / "exported.toml").read_text(encoding="utf-8")
        assert "A board answers" in run(provision, "diagnose", *at, folder=tmp_path).stdout
        generation = board.generation
        run(provision, "setup", *at, "--answers", ANSWERS, folder=tmp_path)
        run(provision, "undo", *at, "--yes", folder=tmp_path)
        assert board.generation > generation
        run(provision, "erase", *at, "--yes", folder=tmp_path)
        assert board.values == {}


def test_no_module_needs_the_extra_to_be_imported(installed: Path, tmp_path: Path) -> None:
    """What an author's package is needed for says so when it is done, not before.

    All modules but the plugin's, which pytest imports.
    """
    code = (
        "import importlib, pkgutil, provision\n"
        "for module in pkgutil.walk_packages(provision.__path__, 'provision.'):\n"
        "    if not module.name.startswith(('provision.testing.plugin', 'provision.__main__')):\n"
        "        print(importlib.import_module(module.name).__name__)\n"
    )
    imported = run(installed / "python", "-c", code, folder=tmp_path).stdout.split()
    assert {"provision.cli", "provision.board.engine", "provision.author.images"} <= set(imported)


def test_a_command_of_authors_says_what_installs_what_it_lacks(
    installed: Path, tmp_path: Path
) -> None:
    """One sentence with the package and the words that install it; as a wrong command line ends.

    What needs none of those packages works.
    """
    provision = installed / "provision"
    (tmp_path / "image.hex").write_text(":0000000" + "1FF\n", encoding="ascii")
    (tmp_path / "image.s19").write_text("S9030000FC\n", encoding="ascii")
    (tmp_path / "image.elf").write_bytes(b"\x7fELF\x01\x01\x01" + bytes(57))
    (tmp_path / "image.bin").write_bytes(bytes(16))
    answers = ("--answers", ANSWERS)
    look = ("find-secrets", "--schema", SCHEMA, *answers)
    lacking: list[tuple[str, tuple[str | Path, ...]]] = [
        ("zopfli", ("generate", SCHEMA, "--out", "made")),
        ("zopfli", ("rehearse", SCHEMA, *answers)),
        ("zopfli", ("stand-in", SCHEMA)),
        ("zopfli", ("page", SCHEMA, "--serve")),
        ("bincopy", (*look, "image.hex")),
        ("bincopy", ("image-check", "--schema", SCHEMA, "image.s19")),
        ("pyelftools", ("clean-copy", "image.elf", "--schema", SCHEMA, "--out", "clean.elf")),
    ]
    for package, command in lacking:
        said = run(provision, *command, folder=tmp_path, code=ExitCode.USAGE).stderr
        assert said.startswith(f"The Python package {package} is needed to "), said
        assert said.endswith(': `pip install "provision-over-serial[author]"` installs it.\n'), said
        assert len(said.splitlines()) == 1
    told = run(
        provision, "rehearse", SCHEMA, *answers, "--json", folder=tmp_path, code=ExitCode.USAGE
    )
    assert json.loads(told.stdout)["exit"] == ExitCode.USAGE
    run(provision, *look, "image.bin", folder=tmp_path)
    run(provision, "image-check", "--schema", SCHEMA, "image.bin@0", folder=tmp_path)
    run(provision, "page", SCHEMA, "--out", "page", folder=tmp_path)
    assert sorted(path.name for path in tmp_path.iterdir()) == [
        *("image.bin", "image.elf", "image.hex", "image.s19", "page"),
    ]


def test_the_words_that_are_said_install_what_lacks(installed_for_authors: Path) -> None:
    """The extra that is named has the packages; nothing is left that a command would ask for."""
    for module in ("bincopy", "elftools", "zopfli.zlib"):
        run(installed_for_authors / "python", "-c", f"import {module}", folder=ROOT.parent)


def test_the_commands_of_authors_work(installed_for_authors: Path, tmp_path: Path) -> None:
    """From the schema file to the dialog, with nothing but the wheel and its extra."""
    provision = installed_for_authors / "provision"
    run(provision, "check", SCHEMA, folder=tmp_path)
    run(provision, "generate", SCHEMA, "--out", "made", folder=tmp_path)
    done = run(provision, "rehearse", SCHEMA, "--answers", ANSWERS, folder=tmp_path)
    assert "the board works with them" in done.stdout
    run(provision, "describe", SCHEMA, folder=tmp_path)


def test_the_stub_of_the_wheel_is_that_of_the_tree(installed: Path, tmp_path: Path) -> None:
    """`provision stub` writes the same files, whichever way it was installed."""
    written = run(installed / "provision", "stub", "--out", "vendor", folder=tmp_path).stdout
    assert stub.content(tmp_path / written.strip()) == stub.content(stub.write(tmp_path / "tree"))


def test_the_reference_of_the_wheel_is_that_of_the_tree(installed: Path, tmp_path: Path) -> None:
    """Page and JSON Schema, and no extra is needed to read them."""
    command = (installed / "provision", "schema-reference")
    page = run(*command, folder=tmp_path).stdout
    assert page == (ROOT / "schemas" / "README.md").read_text(encoding="utf-8")
    run(*command, "--json-schema", "--out", "schema-file.json", folder=tmp_path)
    written = (tmp_path / "schema-file.json").read_bytes()
    assert written == (ROOT / "schemas" / "schema-file.json").read_bytes()


def test_a_program_of_an_author_is_typed(installed: Path, tmp_path: Path) -> None:
    """A strict type checker sees the types of the installed package (PEP 561)."""
    (tmp_path / "program.py").write_text(
        "from pathlib import Path\n\nfrom provision.schema_file.load import load_declaration\n\n"
        "reveal_type(load_declaration(Path('x.toml')).schema.title)\n",
        encoding="utf-8",
    )
    ran = run(
        Path(sys.executable),
        "-m",
        "mypy",
        "--strict",
        "--cache-dir",
        tmp_path / "cache",
        "--python-executable",
        installed / "python",
        "program.py",
        folder=tmp_path,
    )
    assert 'Revealed type is "str"' in ran.stdout.replace("builtins.str", "str")


def test_what_the_example_keeps_is_what_its_declaration_generates(tmp_path: Path) -> None:
    """Its repository has the generated code, so that a build needs no Python."""
    declaration = load_declaration(EXAMPLE / "orchard-lantern.toml")
    c_code.write(declaration, "orchard-lantern", tmp_path)
    assert stub.content(EXAMPLE / "generated") == stub.content(tmp_path)


@pytest.mark.needs("make", "cc")
def test_the_example_works_as_its_readme_says(
    clean_environment: dict[str, str], tmp_path: Path
) -> None:
    """Copied out of the tree, its README followed word by word."""
    folder = tmp_path / "orchard-lantern"
    shutil.copytree(EXAMPLE, folder, ignore=shutil.ignore_patterns("build", "vendor", ".*"))
    assert follow(folder / "README.md", folder, clean_environment) == 4
