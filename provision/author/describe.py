# SPDX-License-Identifier: MIT
"""A page about a firmware's settings, for the people who answer and for those who help them.

The same file gives the same page: Markdown, or HTML that stands by itself (no script, nothing from
elsewhere). The texts of the schema file are text on it, whatever they look like.
"""

from __future__ import annotations

import argparse
import html
import re
import sys
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from types import MappingProxyType

from provision.contract.table import Ability, Characters, Kind, Refusal
from provision.output import unwritten, write_file
from provision.schema.constraints import key_beside
from provision.schema.declaration import Declaration
from provision.schema.model import Condition, Field, Pin, Schema, Section, Setting
from provision.schema.values import as_typed, is_key_only, refusal_words, show
from provision.schema_file.fields import ABILITIES
from provision.schema_file.load import FileMistakes, load_declaration

_DONE, _MISTAKES, _USAGE = 0, 1, 2  # exit codes, those of every command


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Add what the command `describe` takes."""
    parser.add_argument("file", type=Path, metavar="FILE", help="the firmware's schema file")
    parser.add_argument("--html", action="store_true", help="write HTML instead of Markdown")
    parser.add_argument(
        "--out", type=Path, metavar="FILE", help="the file to write (default: standard output)"
    )
    parser.add_argument(
        "--replace", action="store_true", help="let --out overwrite an existing file"
    )


def run(arguments: argparse.Namespace) -> int:
    """Print the page about a schema file, or write it; return the exit code."""
    out: Path | None = arguments.out
    try:
        declaration = load_declaration(arguments.file)
    except FileMistakes as error:
        return _fail(str(error), _MISTAKES)
    text = as_html(declaration) if arguments.html else as_markdown(declaration)
    if out is None:
        sys.stdout.write(text)
        return _DONE
    try:
        if out.exists() and out.samefile(arguments.file):
            return _fail(f"{out}: is the schema file itself: choose another file.", _USAGE)
        write_file(out, text.encode(), replace=arguments.replace)
    except OSError as error:
        return _fail(unwritten(out, error), _USAGE)
    sys.stdout.write(f"{out}\n")
    return _DONE


def _fail(words: str, code: int) -> int:
    sys.stderr.write(f"{words}\n")
    return code


def as_markdown(declaration: Declaration) -> str:
    """Return the page in Markdown (CommonMark, with the tables that most renderers add)."""
    return "\n".join(filter(None, map(_markdown, _page(declaration))))


def as_html(declaration: Declaration) -> str:
    """Return the page as one HTML file."""
    blocks = list(_page(declaration))
    body = "\n".join(_html(block) for block in blocks)
    title = html.escape(_plain(declaration.schema.title))
    return _FRAME.format(title=title, style=_STYLE, body=body)


# ----------------------------------------------------------------------------- what stands on it


class Verbatim(str):
    """A key, or another word that is typed as it stands."""

    __slots__ = ()


Words = tuple[str, ...]
"""A run of text, pieces of it Code."""

Fact = tuple[str, Words, tuple[Words, ...]]
"""A short fact: its name, what it is, and points below it."""


@dataclass(frozen=True, slots=True)
class Heading:
    """The title of the page (level 1), of a part of it (2), or of a setting (3)."""

    level: int
    text: str
    anchor: str


@dataclass(frozen=True, slots=True)
class Paragraph:
    """A paragraph; one of caution stands out."""

    words: Words
    is_caution: bool = False


@dataclass(frozen=True, slots=True)
class Facts:
    """A list of facts."""

    rows: tuple[Fact, ...]


@dataclass(frozen=True, slots=True)
class Rows:
    """A table: its head, and its rows."""

    head: tuple[str, ...]
    rows: tuple[tuple[Words, ...], ...]


@dataclass(frozen=True, slots=True)
class Contents:
    """Links to parts of the page: text and anchor of each."""

    links: tuple[tuple[str, str], ...]


Block = Heading | Paragraph | Facts | Rows | Contents


def _text(words: str) -> Paragraph:
    return Paragraph((words,))


def _fact(name: str, *words: str, points: Sequence[Words] = ()) -> Fact:
    return name, words, tuple(points)


def _page(declaration: Declaration) -> Iterator[Block]:
    schema, board = declaration.schema, declaration.board
    yield Heading(1, schema.title, "top")
    yield _text(
        "What this firmware asks for after it was flashed, and what each answer may be. The key is"
        " the name of a setting in an answers file."
    )
    facts = [
        _fact("Firmware", f"{declaration.firmware_name}, version {declaration.firmware_version}"),
        _fact("Board", f"{board.name}, serial port at {board.baud:,} baud"),
        _fact("Settings", _size_of(schema)),
    ]
    if schema.trial is not None:
        facts.append(
            _fact(
                "Trial",
                f"new settings have {show(_SECONDS, schema.trial)} to prove that they work;"
                " otherwise the previous ones come back",
            )
        )
    yield Facts(tuple(facts))
    links = [(section.label, f"section-{section.key}") for section in schema.sections]
    links += [("Pins of the board", "pins")] if schema.pins else []
    yield Contents((*links, ("One image instead of many", "images")))
    for section in schema.sections:
        yield from _section(section, schema)
    if schema.pins:
        yield from _pins(schema)
    yield from _images(schema)


_SECONDS = Field("", Kind.DURATION, "", unit="s")


def _size_of(schema: Schema) -> str:
    fields = sum(len(section.fields) for section in schema.sections)
    sections = len(schema.sections)
    words = f"{_count(fields, 'setting')} in {_count(sections, 'section')}"
    if len(schema.settings) > fields:
        words += f"; {len(schema.settings)} with every section as often as it can be there"
    return words


def _count(number: int, noun: str) -> str:
    return f"{number:,} {noun}{'s' * (number != 1)}"


def _section(section: Section, schema: Schema) -> Iterator[Block]:
    yield Heading(2, section.label, f"section-{section.key}")
    if section.help is not None:
        yield _text(section.help)
    if section.repeat is not None:
        yield _text(_repeat_words(section.repeat.least, section.repeat.most))
    for field in section.fields:
        yield Heading(3, field.label, f"setting-{section.key}.{field.key}")
        if field.help is not None:
            yield _text(field.help)
        if field.caution is not None:
            yield Paragraph((field.caution,), is_caution=True)
        yield Facts(tuple(_facts(field, section, schema)))


def _repeat_words(least: int, most: int) -> str:
    times = "once" if most == 1 else f"{most} times"
    if least == most:
        return f"This section is there {times}."
    always = {0: "none is", 1: "the first is"}.get(least, f"the first {least} are")
    return f"This section can be there up to {times}; {always} always in use."


def _facts(field: Field, section: Section, schema: Schema) -> Iterator[Fact]:
    yield _fact("Value", _value_words(field), points=_options(field))
    if field.network is not None:
        yield _fact("Belongs to", _label(schema, section, field.network))
    if field.condition is not None:
        yield _fact("Asked", *_condition_words(field.condition, section, schema))
    yield _fact("Required", _required_words(field, schema))
    if field.is_secret:
        yield _fact("Secret", "the board never gives it back, and nobody is shown it")
    if field.default is not None:
        proposed = ", proposed with its caution, and not in force until somebody has chosen it"
        suffix = proposed if schema.only_proposes(field) else ""
        yield _fact("Default", f"{_default_words(field, schema)}{suffix}")
    if field.kind is Kind.PIN:
        yield _fact("Suitable pins", _serving(field, schema))
        taken = _taken(field, schema)
        if taken:
            yield _fact("Not offered", taken)
        if field.shares:
            yield _fact("Shared", "another setting that shares may have the same pin")
    yield _fact("Key", *_keys(field, section))
    if field.was:
        older = [piece for key in field.was for piece in (", ", Verbatim(key))]
        yield _fact("Older keys", *older[1:])


# ------------------------------------------------------------------------------------- the words

_KINDS: Mapping[Kind, str] = MappingProxyType(
    {
        Kind.TEXT: "text",
        Kind.SECRET: "secret text",
        Kind.INTEGER: "a whole number",
        Kind.YES_NO: "yes or no",
        Kind.CHOICE: "one of these:",
        Kind.NETWORK_NAME: "the name of a wireless network",
        Kind.PASSPHRASE: "the passphrase of a wireless network, or its key",
        Kind.PORT: "a port number",
        Kind.HEX: "bytes",
        Kind.BLOB: "a file, or bytes in hexadecimal digits",
    }
)
_KINDS_BY_REFUSAL: Mapping[Kind, Refusal] = MappingProxyType(
    {
        Kind.DECIMAL: Refusal.FORM,
        Kind.PIN: Refusal.PIN_UNFIT,
        Kind.HOST: Refusal.FORM,
        Kind.URL: Refusal.FORM,
        Kind.IP: Refusal.LENGTH,
        Kind.TIME_ZONE: Refusal.FORM,
        Kind.DURATION: Refusal.FORM,
    }
)
"""Kinds that the words of a refusal describe: what a value must be is what it is."""

_LIMITS: Mapping[Kind, tuple[Refusal, ...]] = MappingProxyType(
    {
        Kind.TEXT: (Refusal.LENGTH, Refusal.CHARACTERS),
        Kind.SECRET: (Refusal.LENGTH, Refusal.CHARACTERS),
        Kind.INTEGER: (Refusal.RANGE,),
        Kind.DECIMAL: (Refusal.RANGE,),
        Kind.NETWORK_NAME: (Refusal.LENGTH,),
        Kind.PASSPHRASE: (Refusal.LENGTH,),
        Kind.HOST: (Refusal.LENGTH,),
        Kind.URL: (Refusal.LENGTH,),
        Kind.PORT: (Refusal.RANGE,),
        Kind.DURATION: (Refusal.RANGE,),
        Kind.HEX: (Refusal.LENGTH,),
        Kind.BLOB: (Refusal.LENGTH,),
    }
)
"""The refusals whose words say what limits a value, as the dialog says it."""


def _value_words(field: Field) -> str:
    """Return what a value is, and what limits it, in the words of the dialog."""
    refusal = _KINDS_BY_REFUSAL.get(field.kind)
    if refusal is None:
        kind = _KINDS[field.kind]
    else:
        kind = str(refusal_words(field, refusal)).removeprefix("must be ")
    if field.unit is not None and field.kind in (Kind.INTEGER, Kind.DECIMAL):
        kind += f", in {field.unit}"
    limits = [
        f"it {refusal_words(as_typed(field), refusal)}"
        for refusal in _LIMITS.get(field.kind, ())
        if _is_limited(field, refusal)
    ]
    if is_key_only(field):
        limits.append("only the key made from it goes to the board, never the passphrase")
    return "; ".join([kind, *limits])


def _is_limited(field: Field, refusal: Refusal) -> bool:
    """Return whether the author said more than the kind says by itself."""
    if refusal is Refusal.CHARACTERS:
        return field.characters is not Characters.PRINTABLE
    if refusal is Refusal.RANGE and field.kind is not Kind.PORT:
        return field.minimum is not None or field.maximum is not None
    if refusal is Refusal.LENGTH and field.kind in (Kind.HOST, Kind.URL):
        return field.maximum is not None
    return True


def _options(field: Field) -> list[Words]:
    return [
        (option.label, " (", Verbatim(option.key), ")", f": {option.help}" if option.help else "")
        for option in field.options
    ]


def _required_words(field: Field, schema: Schema) -> str:
    if not schema.needs_value(field):
        return "no"
    return "yes" if field.condition is None else "yes, while it is asked"


def _default_words(field: Field, schema: Schema) -> str:
    value = field.default
    if field.kind is Kind.PIN and isinstance(value, int):
        pin = schema.pin(value)
        return _name(pin) if pin else show(field, value)
    if value is None or value in ("", b""):
        return "nothing (an empty value)"
    if field.kind is Kind.BLOB and isinstance(value, bytes):
        return _count(len(value), "byte")
    return show(field, value)


def _declared(schema: Schema, base_key: str) -> Setting:
    """Return the first setting of a field that the file names, which its reader made sure of."""
    return next(setting for setting in schema.settings if setting.base_key == base_key)


def _label(schema: Schema, section: Section, base_key: str) -> str:
    """Return what another field is called in a section, with its own section where that differs."""
    other = _declared(schema, base_key)
    inside = other.section.key == section.key
    return other.field.label if inside else f"{other.section.label}: {other.field.label}"


def _condition_words(condition: Condition, section: Section, schema: Schema) -> Words:
    other = _declared(schema, condition.base_key).field
    label = f"only if “{_label(schema, section, condition.base_key)}”"
    if not condition.values:
        return (f"{label} has a value",)
    values = [show(other, value) for value in condition.values]
    if other.kind is Kind.CHOICE:
        values = [f"“{value}”" for value in values]
    return (f"{label} is {' or '.join(values)}",)


def _keys(field: Field, section: Section) -> Words:
    if section.repeat is None:
        return (Verbatim(f"{section.key}.{field.key}"),)
    first, last = (Verbatim(f"{section.key}.{n}.{field.key}") for n in (1, section.repeat.most))
    return (first,) if first == last else (first, " to ", last)


# -------------------------------------------------------------------------------------- the pins


def _name(pin: Pin) -> str:
    return pin.name or f"pin {pin.number}"


def _fitting(field: Field, schema: Schema) -> Iterator[Pin]:
    return (pin for pin in schema.pins if field.needs & pin.abilities == field.needs)


def _serving(field: Field, schema: Schema) -> str:
    return ", ".join(
        _name(pin) + " (with a caution)" * (pin.caution is not None)
        for pin in _fitting(field, schema)
        if pin.taken is None
    )


def _taken(field: Field, schema: Schema) -> str:
    return ", ".join(
        f"{_name(pin)} ({pin.taken})" for pin in _fitting(field, schema) if pin.taken is not None
    )


def _pins(schema: Schema) -> Iterator[Block]:
    yield Heading(2, "Pins of the board", "pins")
    yield _text("A pin that the board itself uses is never offered.")
    rows = tuple(
        (
            (str(pin.number),),
            (_name(pin),),
            (_abilities(pin.abilities),),
            (f"taken: {pin.taken}" if pin.taken else "free",),
            (pin.caution or "",),
        )
        for pin in schema.pins
    )
    yield Rows(("Number", "Name", "Can", "Use", "Caution"), rows)


def _abilities(abilities: Ability) -> str:
    return ", ".join(name for name, ability in ABILITIES.items() if ability in abilities)


# ------------------------------------------------------------------------------------ the images


def _images(schema: Schema) -> Iterator[Block]:
    number = combinations(schema)
    yield Heading(2, "One image instead of many", "images")
    if number == 1:
        yield _text("No setting is a choice from a few options: one image is enough as it is.")
        return
    yield _text(
        f"This one image replaces {number:,} ready-built ones, one for each combination of its"
        " yes-no and choice settings."
    )
    yield _text(
        "How it is counted: a yes-no setting has two answers, and a choice as many as it has"
        " options; the numbers of settings that do not depend on each other are multiplied. A"
        " setting that is asked only after certain answers counts only after those. A section that"
        " can be there several times counts as often as possible. Texts, numbers, pins and other"
        " typed values are not counted, nor are settings that are asked only because of one of"
        " these, nor giving no answer where none is required. Whether there are enough pins is not"
        " checked."
    )


def combinations(schema: Schema) -> int:
    """Return how many combinations of answers the yes-no and choice settings have.

    A setting whose condition is on a setting of another kind is not counted, and neither is having
    no value. Instances of sections that repeat are all taken to be in use.
    """
    waiting: dict[str, list[Setting]] = {}
    for setting in schema.settings:
        condition = setting.field.condition
        decides = "" if condition is None else key_beside(setting, condition.base_key)
        waiting.setdefault(decides, []).append(setting)
    ways: dict[str, int] = {}

    def product(settings: Iterator[Setting]) -> int:
        number = 1
        for setting in settings:
            number *= ways[setting.key]
        return number

    # A condition is on an earlier setting, so that from the last on each finds what it decides.
    for setting in reversed(schema.settings):
        decided = waiting.get(setting.key, [])
        ways[setting.key] = sum(
            product(other for other in decided if _asked(other.field.condition, answer))
            for answer in _answers(setting.field)
        )
    return product(iter(waiting.get("", [])))


def _answers(field: Field) -> tuple[int | bool | str | None, ...]:
    """Return the answers of a setting that count; one that stands for all where they do not."""
    if field.kind is Kind.YES_NO:
        return (False, True)
    return tuple(option.key for option in field.options) or (None,)


def _asked(condition: Condition | None, answer: int | bool | str | None) -> bool:
    if condition is None or answer is None:
        return False
    return not condition.values or answer in condition.values


# ------------------------------------------------------------------------------------- Markdown


def _plain(text: str) -> str:
    """Return a text without what would turn or hide the text around it."""
    return "".join(" " if c.isspace() else c if c.isprintable() else "?" for c in text)


def _markdown(block: Block) -> str:
    if isinstance(block, Heading):
        return f"{'#' * block.level} {_escaped(block.text)}\n"
    if isinstance(block, Paragraph):
        words = _run_of(block.words)
        return f"> **Caution:** {words}\n" if block.is_caution else f"{_mark_start(words)}\n"
    if isinstance(block, Facts):
        return "".join(
            f"- {name}: {_run_of(words)}\n"
            + "".join(f"  - {_mark_start(_run_of(point))}\n" for point in points)
            for name, words, points in block.rows
        )
    if isinstance(block, Contents):
        return ""  # who renders the page lists its headings
    head = f"| {' | '.join(block.head)} |\n|{'---|' * len(block.head)}\n"
    return head + "".join(
        f"| {' | '.join(_run_of(cell) for cell in row)} |\n" for row in block.rows
    )


def _run_of(words: Words) -> str:
    return "".join(
        f"`{piece}`" if isinstance(piece, Verbatim) else _escaped(piece) for piece in words
    )


def _escaped(text: str) -> str:
    """Return a text in which nothing is markup (CommonMark 0.31 section 2.4)."""
    return re.sub(r"[\\`*_~\[\]<>#|&]", r"\\\g<0>", _plain(text))


def _mark_start(line: str) -> str:
    """Return a line that begins no list, heading or rule."""
    return re.sub(r"^(?:(?=[-+=])|(\d+)(?=[.)]))", r"\1\\", line)


# ----------------------------------------------------------------------------------------- HTML

_FRAME = """\
<!DOCTYPE html>
<html lang="en">
<head>
<meta charset="utf-8">
<meta name="viewport" content="width=device-width">
<meta http-equiv="Content-Security-Policy" content="default-src 'none'; style-src 'unsafe-inline'">
<title>{title}</title>
<style>
{style}</style>
</head>
<body>
{body}
</body>
</html>
"""

_STYLE = """\
body { max-width: 46rem; margin: 2rem auto; padding: 0 1rem; font: 1rem/1.5 serif; }
h2 { margin-top: 2.5rem; border-bottom: thin solid; }
h3 { margin-bottom: 0.2rem; }
p { margin: 0.2rem 0 0.6rem; }
dl { display: grid; grid-template-columns: 9rem 1fr; gap: 0.1rem 1rem; margin: 0.4rem 0 1.4rem; }
dt { font-style: italic; }
dd { margin: 0; }
dd ul { margin: 0; padding-left: 1.2rem; }
table { border-collapse: collapse; }
th, td { padding: 0.2rem 0.8rem 0.2rem 0; border-bottom: thin dotted; text-align: left; }
td { vertical-align: top; }
.caution { padding: 0.4rem 0.8rem; border: medium double; }
@media (max-width: 34rem) { dl { display: block; } dd { margin-left: 1.2rem; } }
@media print { h3 { break-after: avoid; } dl { break-inside: avoid; } nav { display: none; } }
"""


def _html(block: Block) -> str:
    if isinstance(block, Heading):
        text = html.escape(_plain(block.text))
        return f'<h{block.level} id="{block.anchor}">{text}</h{block.level}>'
    if isinstance(block, Paragraph):
        words = _html_run(block.words)
        if block.is_caution:
            return f'<p class="caution"><strong>Caution:</strong> {words}</p>'
        return f"<p>{words}</p>"
    if isinstance(block, Facts):
        rows = (
            f"<dt>{name}</dt><dd>{_html_run(words)}{_html_points(points)}</dd>"
            for name, words, points in block.rows
        )
        return "\n".join(["<dl>", *rows, "</dl>"])
    if isinstance(block, Contents):
        links = (
            f'<li><a href="#{anchor}">{html.escape(_plain(text))}</a></li>'
            for text, anchor in block.links
        )
        return "\n".join(["<nav><ul>", *links, "</ul></nav>"])
    head = "".join(f"<th>{name}</th>" for name in block.head)
    lines = (
        f"<tr>{''.join(f'<td>{_html_run(cell)}</td>' for cell in row)}</tr>" for row in block.rows
    )
    return "\n".join(["<table>", f"<tr>{head}</tr>", *lines, "</table>"])


def _html_run(words: Words) -> str:
    return "".join(
        f"<code>{piece}</code>" if isinstance(piece, Verbatim) else html.escape(_plain(piece))
        for piece in words
    )


def _html_points(points: Sequence[Words]) -> str:
    items = "".join(f"<li>{_html_run(point)}</li>" for point in points)
    return f"<ul>{items}</ul>" if items else ""
