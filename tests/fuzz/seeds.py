# SPDX-License-Identifier: MIT
"""Inputs to begin with, of shared/vectors: their lines, items, schemas, and conversations."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

from provision.contract.line import Frame, LineReceiver
from tests.fuzz.steps import Sort, step
from tests.vectors.files import Row, rows

_KEYS = [
    "net.name", "net.pass", "words.text", "words.secret", "words.long-text", "numbers.integer",
    "numbers.decimal", "numbers.yes", "numbers.choice", "pins.out", "pins.bus-a", "names.host",
    "names.url", "names.ip", "names.zone", "octets.hex", "octets.key", "octets.cert",
    "siren.fitted", "siren.pattern", "siren.pulse", "siren.pin", "probe.1.label", "probe.2.offset",
    "https://", "slow", "steady", "pulsed",
]  # fmt: skip
_ITEMS = [
    "84010107a0",
    "8401010107",
    "f4",
    "f5",
    "f6",
    "1903e8",
    "1affffffff",
    "3a7fffffff",
    "6161",
]
DICTIONARY = "".join(f'"{key}"\n' for key in _KEYS) + "".join(
    '"' + "".join(f"\\x{byte:02x}" for byte in bytes.fromhex(item)) + '"\n' for item in _ITEMS
)
"""Tokens for libFuzzer: keys of the board, and items of a few bytes."""


def _lines() -> Iterator[bytes]:
    for row in rows("lines"):
        data = bytes.fromhex(row["bytes"])
        for options in (0, 1, 4 * 17):
            yield bytes([options]) + data
        for line in data.split(b"\n"):
            if line.startswith(b"~") and len(line) > 9:
                yield b"\x02" + line[1:-8]


def _items() -> Iterator[bytes]:
    for name in ("messages", "values"):
        for number, row in enumerate(rows(name)):
            yield bytes([number % 40]) + bytes.fromhex(row["bytes"])


def _conversation(vector: Row) -> bytes:
    """Return a conversation of the vectors as steps; each line's item by itself."""
    options = {"button": 1, "brief": 2, "small": 4}.get(vector["board"], 0)
    out = bytes([options])
    for each in vector["steps"]:
        if "host" in each:
            data = bytes.fromhex(each["host"])
            for event in LineReceiver().feed(data):
                if not isinstance(event, Frame):
                    out += step(Sort.RAW, data[:255])
                elif (commit := _token(event.item)) is not None:
                    out += step(Sort.COMMIT, commit)
                else:
                    out += step(Sort.ITEM, event.item)
        elif "wait" in each:
            out += step(Sort.WAIT, min(65535, each["wait"] // 10))
        elif "restart" in each:
            out += step(Sort.RESTART)
        elif "report" in each:
            out += step(Sort.REPORT, 2, 1, 0, 255)
        elif "found" in each:
            for name, signal, _ in each["found"]:
                out += step(Sort.FOUND, -signal, 1, int(each["done"]), bytes.fromhex(name))
        elif each.get("present"):
            out += step(Sort.PRESENT)
    return out


def _token(item: bytes) -> int | None:
    """Return a byte for the token of a commit, whose digest is another for the fuzzed board."""
    return item[-1] if item[:3] == b"\x84\x01\x09" else None


def _histories() -> Iterator[bytes]:
    """Yield lives of a board: sets, trials, undo, erase, cut and failing writes."""
    name = step(Sort.SET, 0, b"\x47orchard") + step(Sort.CANARY, 0)
    values = step(Sort.ASK, 2, 0, 0) + step(Sort.ASK, 1, 0, 0)
    one = name + step(Sort.CANARY, 1) + step(Sort.CANARY, 2) + step(Sort.COMMIT, 1) + values
    other = step(Sort.SET, 2, b"\x63abc") + step(Sort.COMMIT, 2) + values
    undo, erase, confirm = (step(Sort.NAMED, which, 0) for which in (1, 2, 3))
    proven = step(Sort.REPORT, 2, 1, 0, 255)
    yield b"\0" + step(Sort.PART, 3, 0, 8, b"x" * 6) + step(Sort.PART, 3, 6, 8, b"yz") + values
    part = step(Sort.PART, 28, 0, 40, b"x" * 20) + step(Sort.PART, 28, 20, 40, b"y" * 20)
    yield b"\0" + one + other + confirm + undo + undo + erase + one
    yield b"\0" + one + other + step(Sort.RESTART) * 4 + values
    yield b"\0" + one + other + proven + step(Sort.WAIT, 6001) + values
    yield b"\0" + one + other + step(Sort.WAIT, 6001) + values + part + step(Sort.COMMIT, 3)
    for operation in (0, 3, 4, 5, 6, 9):
        for tear in range(6):
            cut = step(Sort.CUT, operation, 5, tear)
            before = step(Sort.CANARY, 1)
            yield b"\0" + one + before + cut + step(Sort.COMMIT, 2) + values
            yield b"\0" + one + other + cut + step(Sort.RESTART) + values + cut + undo
            yield b"\0" + one + other + confirm + cut + erase + values
    # What a torn unit reads as is drawn at every start: so many starts before, so many draws.
    for operation in range(8, 24):
        for starts in range(6):
            cut = step(Sort.CUT, operation, 5, 4) + step(Sort.COMMIT, 1)
            yield b"\0" + step(Sort.RESTART) * starts + name + cut + step(Sort.RESTART) * 3
    for operation in (0, 4, 6):
        yield b"\0" + one + step(Sort.FAIL, operation) + other + undo + values
    for payload in (b"", b"\x83\x68net.name\x08\x47orchard", b"\x83\x60\x01\x00", b"\x83\x61a"):
        yield b"\0" + one + step(Sort.RECORD, 0, payload) + values + other


def _stub() -> Iterator[bytes]:
    yield from (_conversation(vector) for vector in rows("conversations"))
    yield from _histories()
    for row in rows("messages"):
        yield b"\0" + step(Sort.ITEM, bytes.fromhex(row["bytes"])[:491])


def _schemas() -> Iterator[bytes]:
    for row in rows("schemas"):
        yield inflated(bytes.fromhex(row["bytes"]))


def inflated(deflated: bytes) -> bytes:
    """Return the content of raw deflate, as far as it goes: nothing of what is none."""
    import zlib  # noqa: PLC0415

    try:
        return zlib.decompressobj(-zlib.MAX_WBITS).decompress(deflated, 8000)
    except zlib.error:
        return b""


MAKERS = {"line": _lines, "cbor": _items, "stub": _stub, "schema": _schemas}


def write(target: str, folder: Path) -> int:
    """Write the seeds of a target into a folder; return how many."""
    folder.mkdir(parents=True, exist_ok=True)
    seeds = sorted(set(MAKERS[target]()))
    for number, seed in enumerate(seeds):
        (folder / f"seed-{number:04}").write_bytes(seed)
    return len(seeds)
