# SPDX-License-Identifier: MIT
"""The page about a firmware's settings: complete, in plain words, harmless whatever it holds."""

from __future__ import annotations

import argparse
import itertools
import re
from html.parser import HTMLParser
from pathlib import Path

import pytest

from provision.author import describe
from provision.contract.table import Kind
from provision.schema.constraints import active
from provision.schema.model import Schema, Value
from provision.schema_file.load import load_declaration, read_declaration
from provision.wizard.result import ExitCode

ROOT = Path(__file__).parents[2]
DEMO = ROOT / "schemas" / "orchard-frost-alarm.toml"
LAMP = ROOT / "schemas" / "orchard-gate-lamp.toml"
EVERY_KIND = ROOT / "tests" / "data" / "schema_files" / "every-kind.toml"

TOP = """\
format = 1
title = "{text}"
[firmware]
name = "{text}"
version = "1"
[board]
name = "press board"
flash-size = "1 MiB"
erase-unit = "4 KiB"
program-unit = 256
settings-at = "960 KiB"
settings-size = "64 KiB"
"""


def run(*words: str | Path) -> int:
    """Run the command on a command line."""
    parser = argparse.ArgumentParser()
    describe.add_arguments(parser)
    return describe.run(parser.parse_args([str(word) for word in words]))


def part(page: str, heading: str) -> str:
    """Return what stands below a heading of a Markdown page, up to the next heading."""
    return page.split(f"# {heading}\n")[1].partition("\n#")[0]


class Reader(HTMLParser):
    """Collects the elements, attributes and text of an HTML page; checks that elements close."""

    def __init__(self, page: str) -> None:
        super().__init__()
        self.open: list[str] = []
        self.found: set[str] = set()
        self.attributes: list[tuple[str, str]] = []
        self.text = ""
        self.feed(page)
        self.close()
        assert self.open == []

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        """Note an element."""
        self.found.add(tag)
        self.attributes += [(name, value or "") for name, value in attrs]
        if tag != "meta":
            self.open.append(tag)

    def handle_endtag(self, tag: str) -> None:
        """Close the element that is open."""
        assert self.open.pop() == tag

    def handle_data(self, data: str) -> None:
        """Note text."""
        self.text += data


# ------------------------------------------------------------------------------------ what it says


@pytest.mark.parametrize("path", [DEMO, LAMP, EVERY_KIND], ids=lambda path: str(path.stem))
def test_nothing_is_left_out(path: Path) -> None:
    """Every label, help, caution, option, pin and key of a file is on the page."""
    declaration = load_declaration(path)
    text = Reader(describe.as_html(declaration)).text
    schema = declaration.schema
    wanted = [schema.title, declaration.firmware_name, declaration.firmware_version]
    wanted += [declaration.board.name]
    for section in schema.sections:
        wanted += [section.label, section.help or ""]
        for field in section.fields:
            wanted += [field.label, field.help or "", field.caution or "", *field.was]
            wanted += [word for option in field.options for word in (option.key, option.label)]
            wanted += [option.help or "" for option in field.options]
    for pin in schema.pins:
        wanted += [pin.name or f"pin {pin.number}", pin.taken or "", pin.caution or ""]
    for setting in schema.settings:
        if setting.instance is None or setting.instance in (1, setting.section.repeat.most):  # type: ignore[union-attr]
            wanted.append(setting.key)
    assert [words for words in wanted if words not in text] == []


def test_a_setting_is_described_in_plain_words() -> None:
    """Kind, limits, units, condition, default, pins and key of settings of the demo."""
    page = describe.as_markdown(load_declaration(DEMO))
    assert part(page, "Alarm below") == (
        "\nBlossom begins to suffer somewhat below freezing; a margin leaves time to act.\n\n"
        "- Value: a number with at most 1 digit after the decimal point, in °C; it must be between"
        " -5 °C and 8 °C\n"
        "- Required: yes\n"
        "- Default: 1.5 °C\n"
        "- Key: `mast.alarm-below`\n"
    )
    probe = part(page, "Pin of the probe")
    assert "- Asked: only if “Sort of probe” is “Analog”\n" in probe
    assert "- Pins that can serve: GPIO26, GPIO27, GPIO28\n" in probe
    assert "- Not offered: GPIO29 (battery voltage)\n" in probe
    assert "- Key: `probe.1.pin` to `probe.3.pin`\n" in probe
    assert "> **Caution:** The relay can switch mains voltage" in part(page, "Pin of the relay")
    assert "up to 3 times; the first is always in use" in part(page, "Probe")
    assert "never gives it back" in part(page, "Service key")


def test_every_kind_has_words() -> None:
    """No kind of setting is without words, and none of them are empty."""
    declaration = load_declaration(EVERY_KIND)
    assert {setting.field.kind for setting in declaration.schema.settings} == set(Kind)
    page = describe.as_markdown(declaration)
    values = re.findall(r"^- Value: (.*)$", page, re.MULTILINE)
    assert len(values) == sum(len(section.fields) for section in declaration.schema.sections)
    assert all(values)


def test_no_default_of_a_blob_floods_the_page() -> None:
    """Of a long value the size is told, and an empty one is called so."""
    page = describe.as_markdown(load_declaration(EVERY_KIND))
    assert "- Default: 3 bytes\n" in part(page, "Root")
    assert "- Default: nothing (an empty value)\n" in part(page, "Mark")


# ------------------------------------------------------------------------------- how many images


def counted_by_trying(schema: Schema) -> int:
    """Count what combinations() counts, by trying all answers and asking which settings apply."""
    options: dict[str, list[Value]] = {}
    for setting in schema.settings:
        if setting.field.kind is Kind.YES_NO:
            options[setting.key] = [False, True]
        elif setting.field.kind is Kind.CHOICE:
            options[setting.key] = [option.key for option in setting.field.options]
    seen = set()
    for answers in itertools.product(*options.values()):
        stored = dict(zip(options, answers, strict=True))
        applying = active(schema, stored)
        seen.add(tuple(value if key in applying else None for key, value in stored.items()))
    return len(seen)


NESTED = """
[[section]]
key = "a"
label = "A"
[[section.field]]
key = "on"
kind = "yes-no"
label = "On"
[[section.field]]
key = "way"
kind = "choice"
label = "Way"
options = [{ key = "x", label = "X" }, { key = "y", label = "Y" }, { key = "z", label = "Z" }]
asked-if = { field = "on", is = true }
[[section.field]]
key = "deep"
kind = "yes-no"
label = "Deep"
asked-if = { field = "way", is = ["x", "y"] }
[[section.field]]
key = "always"
kind = "yes-no"
label = "Always"
asked-if = { field = "way" }
[[section]]
key = "b"
label = "B"
repeat = { least = 0, most = 2 }
[[section.field]]
key = "kind"
kind = "choice"
label = "Kind"
options = [{ key = "x", label = "X" }, { key = "y", label = "Y" }]
[[section.field]]
key = "more"
kind = "yes-no"
label = "More"
asked-if = { field = "kind", is = "y" }
[[section.field]]
key = "far"
kind = "yes-no"
label = "Far"
asked-if = { field = "a.deep", is = false }
"""


@pytest.mark.parametrize(
    ("schema", "number"),
    [
        pytest.param(load_declaration(DEMO).schema, 64, id="demo"),
        pytest.param(load_declaration(LAMP).schema, 4, id="lamp"),
        # Two instances of b, each of kind x or of kind y with 2 answers to `more`: 3 x 3. Of a:
        # `on` is no; or way z with 2 answers to `always`; or way x or y with 2 of `always` and
        # `deep` yes, or no with 2 answers to `far` in each of the two instances.
        pytest.param(
            read_declaration(TOP + NESTED, "n.toml").schema, 9 * (1 + 2 + 4 * (1 + 4)), id="nested"
        ),
    ],
)
def test_the_combinations_are_those_that_can_be_answered(schema: Schema, number: int) -> None:
    """The count is that of trying all answers, with the settings that apply as boards decide it."""
    assert describe.combinations(schema) == number == counted_by_trying(schema)


def test_the_page_says_how_many_images_one_replaces() -> None:
    """The number stands on the page, with how it is counted; without options it is none."""
    page = describe.as_markdown(load_declaration(DEMO))
    assert "replaces 64:" in part(page, "One image instead of many")
    assert "How it is counted" in page
    plain = NESTED[: NESTED.index("[[section.field]]")] + (
        '[[section.field]]\nkey = "f"\nkind = "port"\nlabel = "F"\n'
    )
    assert "replaces" not in describe.as_markdown(read_declaration(TOP + plain, "p.toml"))


def test_what_hangs_on_another_kind_is_not_counted() -> None:
    """A choice that is asked because of a number does not raise the count."""
    text = NESTED.replace('key = "on"\nkind = "yes-no"', 'key = "on"\nkind = "integer"')
    schema = read_declaration(TOP + text.replace("is = true", "is = 5"), "n.toml").schema
    assert describe.combinations(schema) == 9


# ------------------------------------------------------------------------------- hostile and exact

HOSTILE = "<b>&amp; *x* _y_ [a](b) `c` | # 1"


def hostile_page() -> str:
    """Return a schema file whose texts look like markup."""
    text = NESTED.replace('label = "', f'label = "{HOSTILE} ')
    return TOP.replace("{text}", HOSTILE[:32]) + text[: text.index('[[section.field]]\nkey = "way')]


def test_texts_of_the_file_are_no_markup_in_html() -> None:
    """What looks like markup is shown as it stands, and adds no element and no attribute."""
    harmless = Reader(describe.as_html(load_declaration(LAMP)))
    hostile = Reader(describe.as_html(read_declaration(hostile_page(), "h.toml")))
    assert hostile.found <= harmless.found | {"ul"}
    assert HOSTILE in hostile.text


def test_texts_of_the_file_are_no_markup_in_markdown() -> None:
    """Every sign that is markup there stands behind a backslash (CommonMark 0.31 section 2.4)."""
    page = describe.as_markdown(read_declaration(hostile_page(), "h.toml"))
    left = re.sub(r"\\[!-/:-@\[-`{-~]|`[a-z0-9.-]+`", "", page)
    left = re.sub(r"^(#+ |- |  - |> \*\*Caution:\*\*)", "", left, flags=re.MULTILINE)
    assert not re.search(r"[<>*_\[\]`|#&]", left)


@pytest.mark.parametrize("start", ["1. x", "2) x", "- x", "+ x", "= x"])
def test_a_help_begins_no_list(start: str) -> None:
    """A help is a paragraph, whatever it begins with."""
    text = NESTED[: NESTED.index('[[section.field]]\nkey = "way')] + f"help = '{start}'\n"
    page = describe.as_markdown(read_declaration(TOP + text, "h.toml"))
    assert f"\n{start[:-3]}\\{start[-3:]}\n" in page


def test_bidirectional_characters_are_shown_as_question_marks() -> None:
    """A default may have characters that turn the text around it: they do not reach the page."""
    text = NESTED.replace(
        'kind = "yes-no"\nlabel = "On"',
        'kind = "text"\nlabel = "On"\nmaximum = 9\ndefault = "a\\u202eb"',
    ).replace(", is = true", "")
    declaration = read_declaration(TOP + text, "h.toml")
    for page in (describe.as_markdown(declaration), describe.as_html(declaration)):
        assert "a?b" in page
        assert "\u202e" not in page


@pytest.mark.parametrize("path", [DEMO, LAMP, EVERY_KIND], ids=lambda path: str(path.stem))
def test_the_html_stands_by_itself(path: Path) -> None:
    """No script, nothing that a browser would fetch or run, and every link leads to its place."""
    reader = Reader(describe.as_html(load_declaration(path)))
    assert not reader.found & {"script", "link", "img", "iframe", "object", "form", "base"}
    names = {name for name, _ in reader.attributes}
    assert names <= {"lang", "charset", "name", "content", "http-equiv", "id", "class", "href"}
    places = [value for name, value in reader.attributes if name == "id"]
    assert len(places) == len(set(places))
    links = [value for name, value in reader.attributes if name == "href"]
    assert links
    assert {link.removeprefix("#") for link in links} <= set(places)
    assert not re.search(r"url\(|@import|on[a-z]+=", describe._STYLE)


def test_the_same_file_gives_the_same_page() -> None:
    """Nothing of the day, the place or the order of a set is on it."""
    for make in (describe.as_markdown, describe.as_html):
        assert make(load_declaration(DEMO)) == make(load_declaration(DEMO))
        assert not re.search(r"\b20[23]\d-", make(load_declaration(LAMP)))


# ---------------------------------------------------------------------------------- the command


def test_the_page_goes_to_standard_output_or_a_file(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Without --out the page is printed; with it the file holds it, and its name is."""
    assert run(DEMO) == ExitCode.DONE
    assert capsys.readouterr().out == describe.as_markdown(load_declaration(DEMO))
    out = tmp_path / "page.html"
    assert run(DEMO, "--html", "--out", out) == ExitCode.DONE
    assert capsys.readouterr().out == f"{out}\n"
    assert out.read_text(encoding="utf-8") == describe.as_html(load_declaration(DEMO))


def test_a_file_with_mistakes_is_described_by_them(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """The mistakes go to standard error, nothing to standard output, and no page is written."""
    out = tmp_path / "page.md"
    assert run(EVERY_KIND.with_name("many-mistakes.toml"), "--out", out) == ExitCode.MISTAKES
    said = capsys.readouterr()
    assert said.out == ""
    assert said.err == EVERY_KIND.with_name("many-mistakes.txt").read_text(encoding="utf-8")
    assert not out.exists()


def test_a_page_that_cannot_be_written_is_one_sentence(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """A folder that is not there, a folder in place of a file: why not, without a traceback."""
    for out in (tmp_path / "nowhere" / "page.md", tmp_path):
        assert run(DEMO, "--out", out) == ExitCode.USAGE
        said = capsys.readouterr()
        assert said.out == ""
        assert re.fullmatch(r".*: cannot be written \(.*\)\.\n", said.err)


def test_the_schema_file_itself_is_never_overwritten(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """--out that names the schema file, by whatever path, leaves it as it is."""
    path = tmp_path / "lamp.toml"
    path.write_bytes(LAMP.read_bytes())
    assert run(path, "--out", tmp_path / "." / ".." / tmp_path.name / "lamp.toml") == ExitCode.USAGE
    assert path.read_bytes() == LAMP.read_bytes()
    assert "is the schema file itself" in capsys.readouterr().err
