# SPDX-License-Identifier: MIT
"""`provision find-secrets`: whether an image has the author's own secrets in it.

The secrets are those of an answers file. Each is looked for as it is and in the forms in which
programs and tools write it down; what compression or encryption hides is not seen, nor base64 that
is broken into lines. No message repeats a secret, or a part of one.
"""

from __future__ import annotations

import argparse
import base64
import hashlib
import sys
from collections import Counter, defaultdict
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from decimal import Decimal
from pathlib import Path
from typing import Any

from provision import toml
from provision.author.images import (
    WINDOW,
    Form,
    Image,
    InputError,
    load_schema,
    open_image,
    unreadable,
    windows,
)
from provision.contract.table import MAX_BLOB, Kind, Refusal
from provision.phrases import Phrase
from provision.schema.constraints import key_beside
from provision.schema.model import Schema, Setting
from provision.schema.table import LENGTH_OF_KEY
from provision.schema.values import ValueProblem, check_value, parse, refusal_words
from provision.schema_file.reader import shown

NONE_FOUND, FOUND, ANSWERS = 0, 1, 8
"""Exit codes; what is wrong with an image or a schema file has FOUND, too."""

_LARGEST_FILE = 1 << 20  # bytes of an answers file, as where it sets up a board
_LEAST_ENCODED = 4  # bytes: shorter encoded forms are all over an image, by chance
_LEAST_TELLING = 6  # bytes: shorter finds may be chance, which is said
_MOST_PLACES = 4  # that are printed of one form


class AnswersProblem(Exception):  # noqa: N818 - of the file's author, not of the program
    """The answers file cannot be used; a line for each mistake."""


@dataclass(frozen=True, slots=True)
class Secret:
    """A secret to look for."""

    key: str
    """Of the setting."""
    value: bytes = field(repr=False)
    is_text: bool
    derived_key: bytes | None = field(default=None, repr=False)
    """The pairwise master key that a network passphrase makes."""


@dataclass(frozen=True, slots=True)
class Pattern:
    """Bytes that give a secret away, and which secret and form that is."""

    key: str
    form: str
    data: bytes = field(repr=False)


@dataclass(frozen=True, slots=True)
class SecretFound:
    """A form of a secret that is in the image."""

    pattern: Pattern
    count: int
    places: tuple[int, ...]
    """The first of them."""
    are_addresses: bool
    """Else the places count from the start of the file."""

    def __str__(self) -> str:
        shown = ", ".join(f"{place:#x}" for place in self.places)
        more = self.count - len(self.places)
        where = "address" if self.are_addresses else "byte"
        return (
            f"{self.pattern.key}: {self.pattern.form}, at {where} {shown}"
            + (f" and {more:,} more" if more else "")
            + (
                ", so short that it may be a coincidence"
                if len(self.pattern.data) < _LEAST_TELLING
                else ""
            )
            + "."
        )


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Declare the command's arguments."""
    parser.add_argument(
        "image", type=Path, metavar="IMAGE", help="raw bytes, Intel HEX, S-records, ELF or UF2"
    )
    parser.add_argument(
        "--schema", type=Path, required=True, metavar="FILE", help="the firmware's schema file"
    )
    parser.add_argument(
        "--answers",
        type=Path,
        required=True,
        metavar="FILE",
        help="the answers that you set up your own board with",
    )
    parser.epilog = (
        "Exit code 0: none was found; 1: one was, or the image or the schema file cannot be used;"
        " 8: the answers file cannot be used."
    )


def run(arguments: argparse.Namespace) -> int:
    """Search the image; print what was found where, and a verdict. Returns the exit code."""
    path: Path = arguments.image
    try:
        schema = load_schema(arguments.schema).schema
        secrets, remarks = read_secrets(arguments.answers, schema)
        for remark in remarks:
            sys.stderr.write(f"{remark}\n")
        image = open_image(path, mixed=True)
        found = search(image, [pattern for secret in secrets for pattern in patterns(secret)])
    except InputError as error:
        sys.stderr.write(f"{error}\n")
        return FOUND
    except AnswersProblem as problem:
        sys.stderr.write(f"{problem}\n")
        return ANSWERS
    for each in found:
        sys.stdout.write(f"{each}\n")
    keys = list(dict.fromkeys(each.pattern.key for each in found))
    if keys:
        sys.stdout.write(f"Do not publish {path}: it has {', '.join(keys)} in it.\n")
        return FOUND
    count = len(secrets)
    sys.stdout.write(
        f"{path}: none of the {count} secret{'s' * (count != 1)} in {arguments.answers} was found"
        f" ({', '.join(secret.key for secret in secrets)}).\n"
    )
    return NONE_FOUND


# ------------------------------------------------------------------------------------ the secrets


def read_secrets(path: Path, schema: Schema) -> tuple[list[Secret], list[str]]:
    """Return the secrets of an answers file, and remarks on what cannot be looked for.

    Raises AnswersProblem if the file cannot be read, has a mistake, or has no secret at all.
    """
    given: dict[str, object] = {}
    problems = []
    for key, value in _flatten(_read_toml(path), schema):
        setting = schema.setting(key)
        if setting is None:
            # It may be a secret whose key is misspelt: to pass it over would be to find nothing.
            problems.append(f"{path}: {shown(key)}: the schema file has no such setting.")
        elif setting.field.is_secret or setting.field.kind is Kind.NETWORK_NAME:
            try:
                given[key] = _value(setting, value, schema, path.parent)
            except ValueProblem as problem:
                problems.append(f"{path}: {key}: {problem.words}.")
    if problems:
        raise AnswersProblem("\n".join(problems))
    secrets, remarks = [], []
    for setting in schema.settings:
        value = given.get(setting.key)
        if not setting.field.is_secret or not isinstance(value, (str, bytes)) or not value:
            continue
        secret = _secret(setting, value, given, schema)
        secrets.append(secret)
        if setting.field.kind is Kind.PASSPHRASE and secret.derived_key is None:
            remarks.append(
                f"{path}: {setting.key}: the key made from it is not searched for, since that"
                " takes the network's name, which has no answer."
            )
    if not secrets:
        raise AnswersProblem(
            f"{path}: has no answer to a setting that is secret, so there is nothing to look for;"
            " give the answers that you set up your own board with."
        )
    return secrets, remarks


def _read_toml(path: Path) -> dict[str, Any]:
    try:
        with path.open("rb") as file:
            content = file.read(_LARGEST_FILE + 1)
    except (OSError, ValueError) as error:  # ValueError: a NUL in the name
        reason = getattr(error, "strerror", None) or "its name is not valid"
        raise AnswersProblem(f"{path}: cannot be read ({reason}).") from None
    if len(content) > _LARGEST_FILE:
        raise AnswersProblem(f"{path}: is larger than an answers file can be.")
    try:
        entries = toml.loads(content.decode())
    except UnicodeDecodeError:
        raise AnswersProblem(f"{path}: is not written in UTF-8.") from None
    except ValueError as error:
        # The decoder's sentence names a place, and of the text a single character at the most.
        raise AnswersProblem(f"{path}: is not a TOML file ({error}).") from None
    for name in ("clear", "accept"):  # lists of keys, no answers
        if isinstance(entries.get(name), list):
            del entries[name]
    return entries


def _flatten(entries: Mapping[str, Any], schema: Schema) -> Iterator[tuple[str, object]]:
    """Yield full keys and values; a table of one setting (`{ file = … }`) counts as a value."""
    repeating = {section.key for section in schema.sections if section.repeat is not None}
    for section, table in entries.items():
        if not isinstance(table, dict):
            yield section, table
            continue
        for name, value in table.items():
            if section in repeating and isinstance(value, dict):
                for inner, innermost in value.items():
                    yield f"{section}.{name}.{inner}", innermost
            else:
                yield f"{section}.{name}", value


def _is_file(value: object) -> bool:
    return isinstance(value, dict) and value.keys() == {"file"} and isinstance(value["file"], str)


def _value(setting: Setting, value: object, schema: Schema, folder: Path) -> object:
    """Return what an answer means. Raises ValueProblem, in words that follow the key."""
    declared = setting.field
    if isinstance(value, dict) and _is_file(value):
        content = _file_content(folder / value["file"])
        if declared.kind is Kind.BLOB:
            code = check_value(declared, content, schema)
            if code is not None:
                raise ValueProblem(refusal_words(declared, code), code)
            return content
        try:
            value = content.decode().removesuffix("\n").removesuffix("\r")
        except UnicodeDecodeError:
            raise _unusable("must be given in a file that is written in UTF-8") from None
    if isinstance(value, int | float | Decimal) and not isinstance(value, bool):
        value = toml.written(value)
    if not isinstance(value, str):
        raise _unusable('must be a text, a number or { file = "..." }')
    if declared.kind is Kind.PASSPHRASE and not value:
        return None  # an open network
    return parse(declared, value, schema)


def _file_content(path: Path) -> bytes:
    try:
        with path.open("rb") as file:
            content = file.read(MAX_BLOB + 1)
    except (OSError, ValueError) as error:
        reason = getattr(error, "strerror", None) or "its name is not valid"
        raise _unusable(f"cannot be read from its file ({reason})") from None
    if len(content) > MAX_BLOB:
        raise _unusable(f"comes from a file that is longer than {MAX_BLOB} bytes")
    return content


def _unusable(words: str) -> ValueProblem:
    return ValueProblem(Phrase(words), Refusal.WRONG_KIND)


def _secret(
    setting: Setting, value: str | bytes, given: Mapping[str, object], schema: Schema
) -> Secret:
    declared = setting.field
    data = value.encode() if isinstance(value, str) else value
    derived = None
    if declared.kind is Kind.PASSPHRASE and isinstance(value, str):
        network: object = None
        if declared.network is not None:
            key = key_beside(setting, declared.network)
            beside = schema.setting(key)
            network = given.get(key, beside.field.default if beside else None)
        derived = pairwise_master_key(value, network if isinstance(network, bytes) else None)
    return Secret(setting.key, data, isinstance(value, str), derived)


def pairwise_master_key(passphrase: str, network: bytes | None) -> bytes | None:
    """Return the key that a passphrase makes with a network's name (IEEE 802.11-2016, J.4).

    64 hex digits are the key itself. None: it takes the name, and that is not known.
    """
    if len(passphrase) == LENGTH_OF_KEY:
        try:
            return bytes.fromhex(passphrase)
        except ValueError:
            return None
    if network is None:
        return None
    return hashlib.pbkdf2_hmac("sha1", passphrase.encode(), network, 4096, 32)


# ------------------------------------------------------------------------------------- the forms


def patterns(secret: Secret) -> list[Pattern]:
    """Return all forms in which a secret is looked for, each run of bytes once."""
    forms = list(_forms(secret.value, ""))
    if secret.is_text:
        text = secret.value.decode()
        forms += [("UTF-16 LE", text.encode("utf-16-le")), ("UTF-16 BE", text.encode("utf-16-be"))]
    if secret.derived_key is not None:
        forms += _forms(secret.derived_key, "network key made from it")
    found: dict[bytes, str] = {}
    for form, data in forms:
        found.setdefault(data, form)
    return [Pattern(secret.key, form, data) for data, form in found.items()]


def _forms(value: bytes, what: str) -> Iterator[tuple[str, bytes]]:
    def named(form: str) -> str:
        return f"{what}, {form}" if what else form

    yield what or "plain", value
    yield named("bytes reversed"), value[::-1]
    encoded = [
        (named("hex"), value.hex().encode()),
        (named("hex"), value.hex().upper().encode()),
    ]
    for alignment in range(3):
        standard = base64_inside(value, alignment)
        encoded.append((named("base64"), standard))
        encoded.append((named("base64url"), standard.translate(bytes.maketrans(b"+/", b"-_"))))
    yield from (each for each in encoded if len(each[1]) >= _LEAST_ENCODED)


def base64_inside(value: bytes, alignment: int) -> bytes:
    """Return the base64 characters (RFC 4648, clause 4) that a value alone determines.

    alignment: bytes of other data before it, modulo 3. A character that other data has a bit in is
    left out.
    """
    characters = base64.b64encode(bytes(alignment) + value)
    return characters[-(-8 * alignment // 6) : 8 * (alignment + len(value)) // 6]


# ------------------------------------------------------------------------------------ the search


def search(image: Image, wanted: Sequence[Pattern]) -> list[SecretFound]:
    """Return which patterns are in an image, in their order.

    Of raw bytes and ELF the file is searched, which has debug information, too; of Intel HEX and
    S-records what they put to addresses; of UF2 both.
    """
    by_address = _Tally()
    in_file = _Tally()
    if image.form in (Form.INTEL_HEX, Form.S_RECORD, Form.UF2):
        for start, run in _runs(image):
            by_address.take(_find(_in_windows(run), wanted, start))
    if image.form in (Form.RAW, Form.ELF, Form.UF2):
        try:
            with image.path.open("rb") as file:
                in_file.take(_find(windows(file), wanted, 0))
        except OSError as error:
            raise unreadable(image.path, error) from None
    found = []
    for pattern in wanted:
        # What is in a UF2 block stands in the file as well: once is enough.
        for tally in (by_address, in_file):
            if count := tally.counts[pattern]:
                places = tuple(tally.places[pattern])
                found.append(SecretFound(pattern, count, places, tally is by_address))
                break
    return found


class _Tally:
    """How often each pattern was found, and the first places: of a short one there are many."""

    def __init__(self) -> None:
        self.counts: Counter[Pattern] = Counter()
        self.places: defaultdict[Pattern, list[int]] = defaultdict(list)

    def take(self, finds: Iterable[tuple[Pattern, int]]) -> None:
        for pattern, place in finds:
            self.counts[pattern] += 1
            if len(self.places[pattern]) < _MOST_PLACES:
                self.places[pattern].append(place)


def _runs(image: Image) -> Iterator[tuple[int, Iterator[bytes]]]:
    """Yield each run of parts whose addresses follow one another, by address, with its bytes."""
    ordered = sorted(image.parts, key=lambda part: part.address)
    first = 0
    for after in range(1, len(ordered) + 1):
        if after == len(ordered) or ordered[after].address != ordered[after - 1].end:
            run = ordered[first:after]
            yield run[0].address, (data for part in run for data in image.content(part))
            first = after


def _in_windows(pieces: Iterable[bytes]) -> Iterator[bytes]:
    """Yield the same bytes in larger pieces."""
    window = bytearray()
    for piece in pieces:
        window += piece
        if len(window) >= WINDOW:
            yield bytes(window)
            window.clear()
    if window:
        yield bytes(window)


def _find(
    pieces: Iterable[bytes], wanted: Sequence[Pattern], start: int
) -> Iterator[tuple[Pattern, int]]:
    """Yield each find and its place; `start` is the place of the first byte.

    What lies across the border of two pieces is found as well, and nothing twice.
    """
    overlap = max(len(pattern.data) for pattern in wanted) - 1
    before = b""
    at = start  # the place of `before`
    for piece in pieces:
        data = before + piece
        for pattern in wanted:
            # What ends within `before` was found already.
            place = data.find(pattern.data, max(len(before) - len(pattern.data) + 1, 0))
            while place >= 0:
                yield pattern, at + place
                place = data.find(pattern.data, place + 1)
        before = data[-overlap:] if overlap else b""
        at += len(data) - len(before)
