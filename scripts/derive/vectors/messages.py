# SPDX-License-Identifier: MIT
"""Messages, by clauses 3, 4 and 11.2 of shared/protocol.md, written by hand."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any, NamedTuple

from scripts.derive.vectors import encoding
from scripts.derive.vectors.encoding import diagnostic, message, numbered

FLAGS = {
    "valid": "a message of the form that the table gives its type",
    "form": "a body that lacks a key, or has a value outside its type, size or range",
    "growth": "what a later version may add must be refused, or skipped, as clause 4.2 says",
    "envelope": "an item that is not a message must be ignored, not refused",
    "profile": "CBOR outside the profile must be ignored, however harmless it looks",
    "order": "the first of two faults decides",
}

Named = dict[Any, Any]

_TOKEN = bytes(range(8))
_HELLO_REPLY: Named = {
    "versions": [1],
    "firmware": "frost-alarm",
    "firmware-version": "1.4.0",
    "board": "sensor mast",
    "unit": bytes.fromhex("e660583883"),
    "boot": 3_000_000_000,
    "schema-digest": bytes(8),
    "schema-size": 1376,
    "line": 655,
    "credit": 1332,
    "commit-time": 400,
    "erase-time": 900,
    "apply-time": 30_000,
    "capabilities": ["undo", "restart", "erase"],
    "token": None,
    "listens": None,
    "generation": 0,
}
_STATUS_REPLY: Named = {
    "store": "complete",
    "staged": 0,
    "run": "proven",
    "generation": 4,
    "boot": 77,
}


def _hello_reply(**changed: Any) -> Named:
    return {**_HELLO_REPLY, **{name.replace("_", "-"): value for name, value in changed.items()}}


def _status_reply(**changed: Any) -> Named:
    return {**_STATUS_REPLY, **{name.replace("_", "-"): value for name, value in changed.items()}}


def _without(named: Named, *names: str) -> Named:
    return {name: value for name, value in named.items() if name not in names}


class Good(NamedTuple):
    """A message of the form that its type has."""

    id: str
    shows: str
    type: str
    body: Named
    flag: str = "valid"
    clause: str = "11.2"


class Bad(NamedTuple):
    """A message whose body is malformed, and no other fault decides before."""

    id: str
    shows: str
    type: str
    body: Named
    flag: str = "form"
    clause: str = "4.3"


class Odd(NamedTuple):
    """An item by itself: what it is, if it is anything."""

    id: str
    shows: str
    clause: str
    flag: str
    item: bytes
    expected: str


_GOOD = [
    Good("hello", "hello asks nothing", "hello", {}),
    Good(
        "hello-extended", "a key that may be skipped", "hello", {64: "host's name"}, "growth", "4.2"
    ),
    Good(
        "hello-reply",
        "hello-reply of a board on which nothing is stored",
        "hello-reply",
        _HELLO_REPLY,
    ),
    Good(
        "hello-reply-longest",
        "hello-reply with everything at its largest",
        "hello-reply",
        _hello_reply(
            versions=[1, 2, 3, 4, 5, 6, 7, 255],
            firmware="f" * 32,
            firmware_version="v" * 24,
            board="b" * 32,
            unit=bytes(16),
            boot=2**32 - 1,
            schema_size=262_144,
            credit=65_535,
            commit_time=60_000,
            erase_time=60_000,
            apply_time=600_000,
            capabilities=511,
            token=_TOKEN,
            listens=3_600_000,
            generation=2**32 - 1,
        ),
    ),
    Good(
        "hello-reply-least",
        "hello-reply with everything at its least",
        "hello-reply",
        _hello_reply(
            firmware="f",
            firmware_version="v",
            board="b",
            unit=b"u",
            boot=0,
            schema_size=1,
            line=128,
            credit=139,
            commit_time=0,
            erase_time=0,
            apply_time=0,
            capabilities=0,
            listens=0,
        ),
    ),
    Good(
        "hello-reply-later",
        "a capability and a key of a later version",
        "hello-reply",
        {**_hello_reply(capabilities=2**31), 18: "new", 63: [1]},
        "growth",
        "4.2",
    ),
    Good("refusal", "refusal with its code alone", "refusal", {"code": "wrong-state"}),
    Good("refusal-later", "a code of a later version", "refusal", {"code": 200}, "growth", "4.2"),
    Good(
        "refusal-moved-on",
        "refusal with the present generation",
        "refusal",
        {"code": "moved-on", "detail": 2**32 - 1},
    ),
    Good(
        "refusal-pins",
        "refusal with two fields",
        "refusal",
        {"code": "pin-conflict", "field": "mast.siren", "other": "mast.relay"},
    ),
    Good("get-schema", "the largest piece", "get-schema", {"offset": 0, "length": 470}),
    Good(
        "get-schema-last",
        "the last byte of the largest schema",
        "get-schema",
        {"offset": 262_143, "length": 1},
    ),
    Good("get-schema-reply", "a piece", "get-schema-reply", {"offset": 940, "piece": b"\x9d\x54"}),
    Good(
        "get-schema-reply-longest",
        "the largest piece at the largest offset fits into a line",
        "get-schema-reply",
        {"offset": 262_143, "piece": bytes(470)},
    ),
    Good("get-values", "values from the first field on", "get-values", {"first": 0}),
    Good("get-values-last", "the last field there can be", "get-values", {"first": 511}),
    Good(
        "get-values-reply",
        "a value, a secret, a default fallen back to, nothing",
        "get-values-reply",
        {
            "first": 0,
            "count": 4,
            "entries": [
                ["net.1.name", 1, b"orchard"],
                ["net.1.key", 1],
                ["mast.low", 2, -25],
                ["mast.high", 0],
            ],
        },
    ),
    Good(
        "get-values-reply-later",
        "a code of a later version for what is held",
        "get-values-reply",
        {"first": 3, "count": 4, "entries": [["mast.high", 9, 7]]},
        "growth",
        "4.2",
    ),
    Good("set-field-integer", "an integer", "set-field", {"field": "mast.relay", "value": 15}),
    Good(
        "set-field-least",
        "the least integer",
        "set-field",
        {"field": "mast.low", "value": -(2**31)},
    ),
    Good(
        "set-field-largest",
        "the largest integer",
        "set-field",
        {"field": "mast.low", "value": 2**32 - 1},
    ),
    Good("set-field-bool", "a truth", "set-field", {"field": "mast.invert", "value": False}),
    Good(
        "set-field-text", "a text", "set-field", {"field": "service.key", "value": "not a real key"}
    ),
    Good("set-field-empty", "an empty text", "set-field", {"field": "service.key", "value": ""}),
    Good("set-field-bytes", "bytes", "set-field", {"field": "net.name", "value": b"\xff\x00"}),
    Good("set-field-clear", "null", "set-field", {"field": "service.key", "value": None}),
    Good(
        "set-field-part",
        "a part",
        "set-field",
        {"field": "service.trust", "offset": 0, "total": 1200, "part": b"-----BEGIN"},
    ),
    Good(
        "set-field-part-last",
        "the last part there can be",
        "set-field",
        {"field": "service.trust", "offset": 65_534, "total": 65_535, "part": b"x"},
    ),
    Good("set-field-longest-key", "the longest key", "set-field", {"field": "k" * 32, "value": 0}),
    Good(
        "set-field-extended",
        "a key that may be skipped, with a nest as its value",
        "set-field",
        {"field": "mast.relay", "value": 15, 64: [[{7: None}]]},
        "growth",
        "4.2",
    ),
    Good("set-field-reply", "a field is staged", "set-field-reply", {"staged": 3}),
    Good(
        "set-field-reply-part",
        "a part has arrived",
        "set-field-reply",
        {"staged": 0, "received": 470},
    ),
    Good("commit", "commit", "commit", {"count": 5, "digest": 0xE3069283, "token": _TOKEN}),
    Good(
        "commit-most",
        "as many fields as there can be",
        "commit",
        {"count": 512, "digest": 2**32 - 1, "token": b"\xff" * 8},
    ),
    Good("commit-reply", "stored", "commit-reply", {"generation": 1}),
    Good("status", "status asks nothing", "status", {}),
    Good(
        "status-extended",
        "the first and the last key that may be skipped",
        "status",
        {64: None, 2**32 - 1: 0},
        "growth",
        "4.2",
    ),
    Good(
        "status-reply",
        "a board that works, with its IPv4 address",
        "status-reply",
        _status_reply(step="none", address=bytes([192, 0, 2, 7])),
    ),
    Good(
        "status-reply-failed",
        "a board that failed in a trial",
        "status-reply",
        _status_reply(
            store="trial",
            staged=1,
            run="failed",
            step="join",
            reason="passphrase-wrong",
            field="net.1.key",
            trial_left=59_000,
        ),
    ),
    Good(
        "status-reply-incomplete",
        "a board that lacks a value, with its IPv6 address",
        "status-reply",
        _status_reply(store="incomplete", run="idle", missing="mast.relay", address=bytes(16)),
    ),
    Good(
        "status-reply-later",
        "codes of a later version",
        "status-reply",
        _status_reply(store=9, run=9, step=99, reason=255),
        "growth",
        "4.2",
    ),
    Good("discard", "discard", "discard", {"boot": 77}),
    Good("discard-reply", "done", "discard-reply", {}),
    Good("undo", "undo", "undo", {"generation": 4}),
    Good("undo-reply", "done", "undo-reply", {"generation": 5}),
    Good("erase", "erase", "erase", {"generation": 5}),
    Good("erase-reply", "done, the generation having wrapped", "erase-reply", {"generation": 0}),
    Good("restart", "restart", "restart", {"boot": 0}),
    Good("restart-reply", "done", "restart-reply", {}),
    Good("confirm", "confirm", "confirm", {"generation": 4}),
    Good("confirm-reply", "done", "confirm-reply", {"generation": 5}),
    Good("survey", "a new scan", "survey", {}),
    Good("survey-on", "a scan read on", "survey", {"scan": 9, "first": 3}),
    Good(
        "survey-reply-none",
        "nothing found yet",
        "survey-reply",
        {"scan": 9, "done": False, "count": 0, "first": 0, "networks": []},
    ),
    Good(
        "survey-reply",
        "two networks, the weakest and one of a later kind",
        "survey-reply",
        {
            "scan": 255,
            "done": True,
            "count": 2,
            "first": 0,
            "networks": [[b"orchard", -61, 1], [b"\xff", -128, 9]],
        },
    ),
    Good("locate", "locate", "locate", {}),
    Good("locate-reply", "done", "locate-reply", {}),
]

_BAD = [
    Bad("hello-key-63", "the last key that must be known", "hello", {63: 0}, "growth", "4.2"),
    Bad("hello-key-0", "key 0 must be known too", "hello", {0: 0}, "growth", "4.2"),
    Bad("status-key-1", "a key in a request that has none", "status", {1: 0}, "growth", "4.2"),
    Bad(
        "get-values-key-2",
        "a key more than known",
        "get-values",
        {"first": 0, 2: 1},
        "growth",
        "4.2",
    ),
    Bad("get-schema-short", "a key is missing", "get-schema", {"offset": 0}),
    Bad("get-schema-text", "a text for a number", "get-schema", {"offset": "0", "length": 470}),
    Bad("get-schema-true", "true for a number", "get-schema", {"offset": 0, "length": True}),
    Bad("get-schema-null", "null for a number", "get-schema", {"offset": None, "length": 1}),
    Bad("get-schema-negative", "a number below zero", "get-schema", {"offset": -1, "length": 1}),
    Bad("get-schema-none", "a piece of no bytes", "get-schema", {"offset": 0, "length": 0}),
    Bad("get-schema-long", "a piece above the largest", "get-schema", {"offset": 0, "length": 471}),
    Bad(
        "get-schema-far",
        "an offset beyond the largest schema",
        "get-schema",
        {"offset": 262_144, "length": 1},
    ),
    Bad("get-values-far", "a field beyond the last", "get-values", {"first": 512}),
    Bad("set-field-no-field", "no field named", "set-field", {"value": 0}),
    Bad("set-field-empty-key", "an empty key", "set-field", {"field": "", "value": 0}),
    Bad("set-field-long-key", "a key of 33 bytes", "set-field", {"field": "k" * 33, "value": 0}),
    Bad(
        "set-field-wide-key",
        "a key of 17 characters and 34 bytes",
        "set-field",
        {"field": "ü" * 17, "value": 0},
    ),
    Bad(
        "set-field-bytes-key", "a byte string for a key", "set-field", {"field": b"a.b", "value": 0}
    ),
    Bad("set-field-nothing", "neither value nor part", "set-field", {"field": "a.b"}),
    Bad(
        "set-field-both",
        "both value and part",
        "set-field",
        {"field": "a.b", "value": 0, "offset": 0, "total": 1, "part": b"0"},
    ),
    Bad(
        "set-field-value-and-total",
        "a value and one key of a part",
        "set-field",
        {"field": "a.b", "value": 0, "total": 1},
    ),
    Bad(
        "set-field-no-offset",
        "a part without offset",
        "set-field",
        {"field": "a.b", "total": 1, "part": b"0"},
    ),
    Bad(
        "set-field-no-total",
        "a part without total",
        "set-field",
        {"field": "a.b", "offset": 0, "part": b"0"},
    ),
    Bad(
        "set-field-no-bytes",
        "offset and total without a part",
        "set-field",
        {"field": "a.b", "offset": 0, "total": 1},
    ),
    Bad(
        "set-field-empty-part",
        "a part of no bytes",
        "set-field",
        {"field": "a.b", "offset": 0, "total": 1, "part": b""},
    ),
    Bad(
        "set-field-long-part",
        "a part of 471 bytes",
        "set-field",
        {"field": "a.b", "offset": 0, "total": 471, "part": bytes(471)},
    ),
    Bad(
        "set-field-total-0",
        "a total of 0",
        "set-field",
        {"field": "a.b", "offset": 0, "total": 0, "part": b"0"},
    ),
    Bad(
        "set-field-total-65536",
        "a total of 65,536",
        "set-field",
        {"field": "a.b", "offset": 0, "total": 65_536, "part": b"0"},
    ),
    Bad(
        "set-field-text-part",
        "a text for a part",
        "set-field",
        {"field": "a.b", "offset": 0, "total": 1, "part": "0"},
    ),
    Bad("set-field-array", "an array for a value", "set-field", {"field": "a.b", "value": [0]}),
    Bad("set-field-map", "a map for a value", "set-field", {"field": "a.b", "value": {0: 0}}),
    Bad(
        "set-field-part-beyond",
        "a part that ends beyond its total",
        "set-field",
        {"field": "octets.cert", "offset": 4, "total": 6, "part": b"abc"},
        clause="6.4",
    ),
    Bad("commit-none", "commit of no field", "commit", {"count": 0, "digest": 0, "token": _TOKEN}),
    Bad(
        "commit-many",
        "commit of 513 fields",
        "commit",
        {"count": 513, "digest": 0, "token": _TOKEN},
    ),
    Bad(
        "commit-short-token",
        "a token of 7 bytes",
        "commit",
        {"count": 1, "digest": 0, "token": bytes(7)},
    ),
    Bad(
        "commit-long-token",
        "a token of 9 bytes",
        "commit",
        {"count": 1, "digest": 0, "token": bytes(9)},
    ),
    Bad(
        "commit-text-token",
        "a text for a token",
        "commit",
        {"count": 1, "digest": 0, "token": "12345678"},
    ),
    Bad(
        "commit-null-token", "null for a token", "commit", {"count": 1, "digest": 0, "token": None}
    ),
    Bad("discard-short", "discard without boot number", "discard", {}),
    Bad("undo-short", "undo without generation", "undo", {}),
    Bad("erase-bytes", "bytes for a generation", "erase", {"generation": b"\0"}),
    Bad("restart-negative", "a boot number below zero", "restart", {"boot": -1}),
    Bad(
        "confirm-short",
        "confirm without generation, on a board that does not offer it",
        "confirm",
        {},
        "order",
    ),
    Bad("survey-0", "scan 0", "survey", {"scan": 0}, "order"),
    Bad("survey-256", "network 256", "survey", {"scan": 1, "first": 256}, "order"),
    Bad(
        "locate-key",
        "a key in a request that has none, on a board that does not offer it",
        "locate",
        {1: 1},
        "order",
    ),
    # ---- replies, which a host then ignores
    Bad(
        "hello-reply-short",
        "hello-reply without its token",
        "hello-reply",
        _without(_HELLO_REPLY, "token"),
    ),
    Bad("hello-reply-line-127", "a line below the least", "hello-reply", _hello_reply(line=127)),
    Bad("hello-reply-line-656", "a line above the longest", "hello-reply", _hello_reply(line=656)),
    Bad("hello-reply-credit", "less credit than one line", "hello-reply", _hello_reply(credit=138)),
    Bad("hello-reply-no-version", "no version", "hello-reply", _hello_reply(versions=[])),
    Bad("hello-reply-version-0", "version 0", "hello-reply", _hello_reply(versions=[0])),
    Bad("hello-reply-unit", "an empty unit id", "hello-reply", _hello_reply(unit=b"")),
    Bad(
        "hello-reply-digest",
        "a digest of 9 bytes",
        "hello-reply",
        _hello_reply(schema_digest=bytes(9)),
    ),
    Bad(
        "hello-reply-size",
        "a schema above the largest",
        "hello-reply",
        _hello_reply(schema_size=262_145),
    ),
    Bad(
        "hello-reply-listens",
        "listens neither number nor null",
        "hello-reply",
        _hello_reply(listens=False),
    ),
    Bad(
        "get-schema-reply-empty",
        "a piece of no bytes",
        "get-schema-reply",
        {"offset": 0, "piece": b""},
    ),
    Bad(
        "get-values-reply-none",
        "no entry",
        "get-values-reply",
        {"first": 0, "count": 4, "entries": []},
    ),
    Bad(
        "get-values-reply-short",
        "an entry of one item",
        "get-values-reply",
        {"first": 0, "count": 4, "entries": [["a.b"]]},
    ),
    Bad(
        "get-values-reply-long",
        "an entry of four items",
        "get-values-reply",
        {"first": 0, "count": 4, "entries": [["a.b", 1, 5, 5]]},
    ),
    Bad(
        "get-values-reply-null",
        "null for no value",
        "get-values-reply",
        {"first": 0, "count": 4, "entries": [["a.b", 0, None]]},
    ),
    Bad(
        "get-values-reply-map",
        "a map for an array",
        "get-values-reply",
        {"first": 0, "count": 4, "entries": {0: 0}},
    ),
    Bad("set-field-reply-0", "no byte received", "set-field-reply", {"staged": 0, "received": 0}),
    Bad(
        "status-reply-address",
        "an address of five bytes",
        "status-reply",
        _status_reply(address=bytes(5)),
    ),
    Bad("status-reply-code", "a text for a code", "status-reply", {**_STATUS_REPLY, 3: "proven"}),
    Bad("refusal-256", "a code above any that may come", "refusal", {"code": 256}),
    Bad("refusal-empty", "refusal without a code", "refusal", {}),
    Bad(
        "survey-reply-number",
        "a number for a truth",
        "survey-reply",
        {"scan": 9, "done": 1, "count": 0, "first": 0, "networks": []},
    ),
    Bad(
        "survey-reply-signal",
        "a signal above 0 dBm",
        "survey-reply",
        {"scan": 9, "done": True, "count": 1, "first": 0, "networks": [[b"o", 1, 1]]},
    ),
    Bad(
        "survey-reply-hidden",
        "a network without a name",
        "survey-reply",
        {"scan": 9, "done": True, "count": 1, "first": 0, "networks": [[b"", -60, 1]]},
    ),
]

_STATUS = bytes.fromhex("84010b07a0")  # [1, 11, 7, {}]


def _nested(depth: int) -> bytes:
    """A status request as deep as this: the envelope, its body, and arrays in each other."""
    return bytes.fromhex("84010b07a11840") + b"\x81" * (depth - 3) + b"\x80"


_ODD = [
    Odd("version-0", "version 0", "4.1", "envelope", encoding.item([0, 11, 7, {}]), "ignored"),
    Odd(
        "version-2",
        "a later version",
        "4.2",
        "growth",
        encoding.item([2, 11, 7, {}]),
        "unsupported-version",
    ),
    Odd(
        "version-255",
        "the last version",
        "4.2",
        "growth",
        encoding.item([255, 11, 7, {}]),
        "unsupported-version",
    ),
    Odd("version-256", "no version", "4.1", "envelope", encoding.item([256, 11, 7, {}]), "ignored"),
    Odd(
        "version-before-type",
        "a later version and a type that is unknown",
        "4.3",
        "order",
        encoding.item([2, 99, 7, {}]),
        "unsupported-version",
    ),
    Odd(
        "version-before-body",
        "a later version and a malformed body",
        "4.3",
        "order",
        encoding.item([2, 11, 7, {1: 1}]),
        "unsupported-version",
    ),
    Odd(
        "type-27",
        "the first request type that is unknown",
        "4.2",
        "growth",
        encoding.item([1, 27, 7, {}]),
        "unknown-type",
    ),
    Odd(
        "type-255",
        "the last request type",
        "4.2",
        "growth",
        encoding.item([1, 255, 7, {}]),
        "unknown-type",
    ),
    Odd(
        "type-before-body",
        "an unknown type and a key that must be known",
        "4.3",
        "order",
        encoding.item([1, 27, 7, {1: 1}]),
        "unknown-type",
    ),
    Odd("type-256", "no type", "4.1", "envelope", encoding.item([1, 256, 7, {}]), "ignored"),
    Odd(
        "type-28",
        "a reply type that is unknown",
        "2.2",
        "envelope",
        encoding.item([1, 28, 7, {}]),
        "ignored",
    ),
    Odd(
        "id-65535", "the largest id", "4.1", "valid", encoding.item([1, 11, 65_535, {}]), "message"
    ),
    Odd(
        "id-65536",
        "an id above the largest",
        "4.1",
        "envelope",
        encoding.item([1, 11, 65_536, {}]),
        "ignored",
    ),
    Odd(
        "id-negative",
        "an id below zero",
        "4.1",
        "envelope",
        encoding.item([1, 11, -1, {}]),
        "ignored",
    ),
    Odd(
        "id-text", "a text for an id", "4.1", "envelope", encoding.item([1, 11, "7", {}]), "ignored"
    ),
    Odd(
        "version-true",
        "true for a version",
        "4.1",
        "envelope",
        encoding.item([True, 11, 7, {}]),
        "ignored",
    ),
    Odd("three", "an array of three", "4.1", "envelope", encoding.item([1, 11, 7]), "ignored"),
    Odd("five", "an array of five", "4.1", "envelope", encoding.item([1, 11, 7, {}, 0]), "ignored"),
    Odd(
        "map",
        "a map for the envelope",
        "4.1",
        "envelope",
        encoding.item({0: 1, 1: 11, 2: 7, 3: {}}),
        "ignored",
    ),
    Odd("number", "a number for the envelope", "4.1", "envelope", encoding.item(1), "ignored"),
    Odd(
        "array-body",
        "an array for the body",
        "4.1",
        "envelope",
        encoding.item([1, 11, 7, []]),
        "ignored",
    ),
    Odd(
        "null-body",
        "null for the body",
        "4.1",
        "envelope",
        encoding.item([1, 11, 7, None]),
        "ignored",
    ),
    # ---- outside of the profile; the bytes by RFC 8949 clause 3, by hand
    Odd("depth-6", "as deep as a message may be", "3", "valid", _nested(6), "message"),
    Odd("depth-7", "one deeper", "3", "profile", _nested(7), "ignored"),
    Odd("depth-400", "far deeper", "3", "profile", _nested(400), "ignored"),
    Odd("trailing", "a byte after the item", "3", "profile", _STATUS + b"\0", "ignored"),
    Odd("cut", "the last byte is missing", "3", "profile", _STATUS[:-1], "ignored"),
    Odd(
        "long-head",
        "a number in a longer head than needed",
        "3",
        "profile",
        bytes.fromhex("84010b1807a0"),
        "ignored",
    ),
    Odd(
        "long-head-2",
        "a number in a head of two bytes that one would hold",
        "3",
        "profile",
        bytes.fromhex("84010b1900ffa0"),
        "ignored",
    ),
    Odd(
        "long-length",
        "a length in a longer head than needed",
        "3",
        "profile",
        bytes.fromhex("9804010b07a0"),
        "ignored",
    ),
    Odd(
        "indefinite-array",
        "an array of indefinite length",
        "3",
        "profile",
        bytes.fromhex("9f010b07a0ff"),
        "ignored",
    ),
    Odd(
        "indefinite-map",
        "a map of indefinite length",
        "3",
        "profile",
        bytes.fromhex("84010b07bfff"),
        "ignored",
    ),
    Odd(
        "indefinite-text",
        "a text of indefinite length",
        "3",
        "profile",
        bytes.fromhex("84010b07a118407f6161ff"),
        "ignored",
    ),
    Odd(
        "float",
        "a floating-point number",
        "3",
        "profile",
        bytes.fromhex("84010b07a11840f93c00"),
        "ignored",
    ),
    Odd("tag", "a tag", "3", "profile", bytes.fromhex("84010b07a11840c100"), "ignored"),
    Odd(
        "tag-around",
        "a tag around the message",
        "3",
        "profile",
        b"\xd9\xd9\xf7" + _STATUS,
        "ignored",
    ),
    Odd("undefined", "undefined", "3", "profile", bytes.fromhex("84010b07a11840f7"), "ignored"),
    Odd(
        "simple",
        "another simple value",
        "3",
        "profile",
        bytes.fromhex("84010b07a11840e0"),
        "ignored",
    ),
    Odd(
        "simple-long",
        "false in two bytes",
        "3",
        "profile",
        bytes.fromhex("84010b07a11840f814"),
        "ignored",
    ),
    Odd(
        "reserved", "a reserved head", "3", "profile", bytes.fromhex("84010b07a118401c"), "ignored"
    ),
    Odd(
        "keys-descend",
        "keys out of order",
        "3",
        "profile",
        bytes.fromhex("84010b07a2184100184000"),
        "ignored",
    ),
    Odd(
        "key-twice",
        "a key twice",
        "3",
        "profile",
        bytes.fromhex("84010b07a2184000184000"),
        "ignored",
    ),
    Odd(
        "key-text", "a text for a key", "3", "profile", bytes.fromhex("84010b07a1616100"), "ignored"
    ),
    Odd(
        "key-negative",
        "a key below zero",
        "3",
        "profile",
        bytes.fromhex("84010b07a12000"),
        "ignored",
    ),
    Odd(
        "utf8-cut",
        "text that ends within a character",
        "3",
        "profile",
        bytes.fromhex("84010b07a1184061c3"),
        "ignored",
    ),
    Odd(
        "utf8-overlong",
        "text with an overlong character",
        "3",
        "profile",
        bytes.fromhex("84010b07a1184062c080"),
        "ignored",
    ),
    Odd(
        "utf8-surrogate",
        "text with a surrogate",
        "3",
        "profile",
        bytes.fromhex("84010b07a1184063eda080"),
        "ignored",
    ),
    Odd(
        "utf8-beyond",
        "text with a character beyond the last",
        "3",
        "profile",
        bytes.fromhex("84010b07a1184064f4908080"),
        "ignored",
    ),
    Odd(
        "integer-largest",
        "the largest integer",
        "3",
        "valid",
        bytes.fromhex("84010b07a118401affffffff"),
        "message",
    ),
    Odd(
        "integer-too-large",
        "one larger",
        "3",
        "profile",
        bytes.fromhex("84010b07a118401b0000000100000000"),
        "ignored",
    ),
    Odd(
        "integer-least",
        "the least integer",
        "3",
        "valid",
        bytes.fromhex("84010b07a118403a7fffffff"),
        "message",
    ),
    Odd(
        "integer-too-small",
        "one less",
        "3",
        "profile",
        bytes.fromhex("84010b07a118403a80000000"),
        "ignored",
    ),
    Odd(
        "length-that-lies",
        "a text that claims four gigabytes",
        "3",
        "profile",
        bytes.fromhex("84010b07a118407affffffff61"),
        "ignored",
    ),
    Odd(
        "items-that-lie",
        "an array that claims four thousand million items",
        "3",
        "profile",
        bytes.fromhex("84010b07a118409affffffff00"),
        "ignored",
    ),
    Odd("nothing", "no bytes of CBOR, but a head that is cut", "3", "profile", b"\x18", "ignored"),
]


def _rows() -> Iterator[dict[str, Any]]:
    cases: list[Good | Bad] = [*_GOOD, *_BAD]
    for case in cases:
        body = numbered(case.type, case.body)
        row = encoding.table().message(case.type)
        yield {
            "id": case.id,
            "shows": case.shows,
            "clause": case.clause,
            "flags": [case.flag],
            "from": "host" if row.is_request else "board",
            "type": case.type,
            "bytes": message(case.type, 7, body).hex(),
            "message": diagnostic([1, row.number, 7, body]),
            "expected": "message" if isinstance(case, Good) else "malformed",
        }
    for odd in _ODD:
        yield {
            "id": odd.id,
            "shows": odd.shows,
            "clause": odd.clause,
            "flags": [odd.flag],
            "from": "host",
            "bytes": odd.item.hex(),
            "expected": odd.expected,
        }


def document() -> bytes:
    """The file shared/vectors/messages.json."""
    return encoding.document(
        "Items that are messages, and items that are refused or ignored",
        "messages.py",
        _rows(),
        flags=FLAGS,
    )
