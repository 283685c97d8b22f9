# SPDX-License-Identifier: MIT
"""Checks of the line, of CBOR and of the envelope: clauses 2, 3, 4, and 5.6."""

from __future__ import annotations

import base64
from collections.abc import Iterator

from provision.conformance.bench import Bench, Body
from provision.conformance.check import Check
from provision.conformance.findings import NotApplicable, NotMet
from provision.conformance.steps import Procedure, Send
from provision.contract.line import crc32c
from provision.contract.profile import Item, encode
from provision.contract.shapes import Array, Bytes, Either, Integer, Shape, Text, Value
from provision.contract.table import (
    LINE_OVERHEAD,
    MESSAGES,
    SKIPPABLE_FROM,
    Capability,
    CommitKey,
    DiscardKey,
    GetSchemaKey,
    GetValuesKey,
    HelloReplyKey,
    MessageType,
    Refusal,
    RefusalKey,
    SetFieldKey,
    UndoKey,
)

_STATUS = int(MessageType.STATUS)
_ALPHABET = b"ABCDEFGHIJKLMNOPQRSTUVWXYZabcdefghijklmnopqrstuvwxyz0123456789-_"


def framed(body: bytes) -> bytes:
    """Return a line with this BODY, whatever it is, and the CHECK that suits it."""
    check = bytes(0x40 + (crc32c(body) >> shift & 0xF) for shift in range(28, -4, -4))
    return b"\n~" + body + check + b"\n"


def carried(item: bytes) -> bytes:
    """Return a line that carries these bytes, whether an item or not."""
    return framed(base64.urlsafe_b64encode(item).rstrip(b"="))


def padded(bench: Bench, size: int) -> tuple[int, bytes]:
    """Return id and line of a status request whose item has `size` bytes: it has keys to skip."""
    id_ = bench.next_id()
    for second in (None, 0):
        for pad in range(size):
            body: Body = {SKIPPABLE_FROM: bytes(pad)}
            if second is not None:
                body[SKIPPABLE_FROM + 1] = second
            item = encode([1, _STATUS, id_, body])
            if len(item) == size:
                return id_, carried(item)
    raise AssertionError(f"no request has {size} bytes")


# ----------------------------------------------------------------------------------------- clause 2


def line_ends(bench: Bench) -> Procedure[None]:
    """LF, CR and both end a line, and a message needs no empty line before it."""
    for what, before, after in (
        ("LF before and behind", b"\n", b"\n"),
        ("CR before and behind", b"\r", b"\r"),
        ("CR LF before and behind", b"\r\n", b"\r\n"),
        ("empty lines before and behind", b"\n\n\r\r\n\n", b"\n\n\n"),
        ("only a CR behind", b"", b"\r"),
    ):
        id_, line = bench.line(_STATUS)
        yield from bench.after()  # ends whatever line was open
        yield from bench.taken(what, before + line.strip(b"\n") + after, id_)


def noise(bench: Bench) -> Procedure[None]:
    """Whatever stood on the line before a message, the message is taken."""
    for what, before in (
        ("log text before it", b"\nfrost watch: 4.5 C"),
        ("bytes 00 to FF before it", bytes(range(256))),
        ("half a message before it", b"\n~hAEBB6AKJID"),
        ("a damaged message before it", b"\n~hAEBB6AKJIDNK@A\n"),
        ("empty lines and spaces before it", b"\r\n \r\n\n"),
        ("one byte before it", b"\x00"),
        ("a lone tilde before it", b"\n~\n"),
    ):
        id_, line = bench.line(_STATUS)
        yield from bench.taken(what, before + line, id_)


def tilde_within(bench: Bench) -> Procedure[None]:
    """A tilde that does not begin a line has no meaning."""
    for what, before in (
        ("text before the tilde", b"\nlog: "),
        ("a space before the tilde", b"\n "),
        ("a tilde before the tilde", b"\n~"),
        ("a byte 00 before the tilde", b"\n\x00"),
        ("a whole message before the tilde", b"\n~hAEBB6AKJIDNK@"),
    ):
        _, line = bench.line(_STATUS)
        yield from bench.ignored(what, before + line.lstrip(b"\n"))


def damaged(bench: Bench) -> Procedure[None]:
    """What has a wrong CHECK, a foreign character, or too few characters, is ignored."""
    _, line = bench.line(_STATUS)
    text = line.strip(b"\n")
    for at in range(len(text) - 8, len(text)):
        other = text[:at] + bytes([0x40 + (text[at] - 0x40 ^ 5)]) + text[at + 1 :]
        yield from bench.ignored("CHECK with a wrong character", b"\n" + other + b"\n")
        for bit in (0x10, 0x20):
            other = text[:at] + bytes([text[at] ^ bit]) + text[at + 1 :]
            yield from bench.ignored("CHECK with a character outside @ to O", b"\n" + other + b"\n")
    body = text[1:-8]
    for what, other in (
        ("an empty BODY", b""),
        ("a BODY with padding", body + b"=" * (-len(body) % 4 or 4)),
        ("a BODY with a space", body[:4] + b" " + body[4:]),
        ("a BODY with a space at its end", body + b" "),
        ("a BODY with a byte above 7F", body[:4] + b"\xc1" + body[5:]),
    ):
        yield from bench.ignored(what, framed(other))
    yield from bench.ignored("a line with a character behind CHECK", b"\n" + text + b"x\n")
    yield from bench.ignored("a line with a space behind CHECK", b"\n" + text + b" \n")
    yield from bench.ignored("CHECK without BODY", b"\n~" + text[-8:] + b"\n")


def alphabet(bench: Bench) -> Procedure[None]:
    """BODY is in the alphabet of base64url; plus and slash are not in it."""
    id_ = bench.next_id()
    # Six bits of 62 four times in a row at any alignment, and of 63: hyphens and underscores.
    sixes = b"\xfb\xef\xbe" * 2 + b"\xef\xbe\xfb" * 2 + b"\xbe\xfb\xef" * 2
    body: Body = {SKIPPABLE_FROM: sixes + b"\xff" * 6}
    line = carried(encode([1, _STATUS, id_, body]))
    yield from bench.taken("a BODY with hyphens and underscores", line, id_)
    text = line.strip(b"\n")[1:-8]
    for what, old, new in (("a plus", b"-", b"+"), ("a slash", b"_", b"/")):
        yield from bench.ignored(f"a BODY with {what}", framed(text.replace(old, new)))


def lengths(bench: Bench) -> Procedure[None]:
    """A length of 1 modulo 4 and bits that are not used and not zero make a line no message."""
    # Longer by one byte each: one of these has two unused bits, one four, one none.
    for extra in range(3):
        item = encode([1, _STATUS, bench.next_id(), {64: bytes(extra)}])
        text = base64.urlsafe_b64encode(item).rstrip(b"=")
        last = _ALPHABET.index(text[-1:])
        if len(text) % 4:
            for bit in (1, 2) if len(text) % 4 == 3 else (1, 2, 4, 8):
                other = text[:-1] + _ALPHABET[last ^ bit : (last ^ bit) + 1]
                yield from bench.ignored("a BODY with an unused bit set", framed(other))
        else:
            yield from bench.ignored("a BODY of length 1 modulo 4", framed(text + b"A"))


def flipped_bits(bench: Bench) -> Procedure[None]:
    """One flipped bit anywhere in a request is noticed, and so are two."""
    _, line = bench.line(_STATUS)
    text = line.strip(b"\n")
    singles = [(at, bit) for at in range(len(text)) for bit in range(8)]
    pairs = [bench.random.sample(singles, 2) for _ in range(60)]
    for flips in [[single] for single in singles] + pairs:
        other = bytearray(text)
        for at, bit in flips:
            other[at] ^= 1 << bit
        if bytes(other) == text or set(other) & set(b"\r\n") or b"~" in other[1:]:
            continue  # where the line begins or ends is left to chance (clause 2.3)
        yield from bench.ignored(f"{len(flips)} flipped bit(s)", b"\n" + other + b"\n")


def longest_line(bench: Bench) -> Procedure[None]:
    """A line of exactly the announced length is taken."""
    size = bench.line_limit * 3 // 4
    for less in (0, 1, 2):
        id_, line = padded(bench, size - less)
        yield from bench.taken(f"a BODY of {len(line) - LINE_OVERHEAD} characters", line, id_)


def oversize(bench: Bench) -> Procedure[None]:
    """What is longer than the announced length is dropped up to its end, and holds nothing up."""
    size = bench.line_limit * 3 // 4 + 1
    while -(-size * 4 // 3) <= bench.line_limit:
        size += 1
    for more in (0, 1, 3, 60):
        _, line = padded(bench, size + more)
        yield from bench.ignored(f"a BODY of {len(line) - LINE_OVERHEAD} characters", line)
    _, hidden = bench.line(_STATUS)
    limit = bench.line_limit
    for before in (limit, limit + 8, limit + 9, limit + 10, limit + 11, 1024, 3000):
        for filler in (b"x", b"~A"):
            text = (filler * before)[:before]
            yield from bench.ignored(
                f"a message behind {before} characters of the same line",
                b"\n" + text + hidden.lstrip(b"\n"),
            )


def log_text(bench: Bench) -> Procedure[None]:
    """Nobody answers log text."""
    for text in (
        b"hello",
        b"\x1b[2J",
        b"AT",
        b"?",
        b"help",
        bytes(range(128, 256)),
        b"hAEBB6AKJIDNK@E",
    ):
        yield from bench.ignored("log text", b"\n" + text + b"\n")


def echoes(bench: Bench) -> Procedure[None]:
    """An echo of the board's own lines, and every even type, is ignored."""
    lines = []
    for type_ in (int(MessageType.HELLO), _STATUS, int(MessageType.GET_SCHEMA)):
        id_, line = bench.line(type_)
        yield from bench.converse([line], [id_])
        lines += [came.raw for came in bench.last_came]
    for line in lines:
        yield from bench.ignored("its own line", b"\n" + line + b"\n")
    for type_ in (0, 2, 4, 8, 10, 12, 20, 26, 28, 254):
        _, line = bench.line(type_)
        yield from bench.ignored(f"a message of the even type {type_}", line)
    refusal: Body = {RefusalKey.CODE: 2, RefusalKey.SUPPORTED: [1]}
    for version in (1, 2):
        _, line = bench.line(MessageType.REFUSAL, refusal, version=version)
        yield from bench.ignored("a refusal", line)


# ----------------------------------------------------------------------------------------- clause 3


def _item(bench: Bench, tail: bytes, head: bytes = b"\x84\x01\x0b") -> bytes:
    """Return the item of a status request whose body is `tail`."""
    return head + encode(0x0100 | bench.next_id()) + tail


def _skipped(bench: Bench, value: bytes) -> bytes:
    """Return the item of a status request with a key to be skipped, and this as its value."""
    return _item(bench, b"\xa1\x18\x40" + value)


def profile_heads(bench: Bench) -> Procedure[None]:
    """Heads that are not the shortest, or of indefinite length, make a message none."""
    id_ = b"\x19" + (0x0100 | bench.next_id()).to_bytes(2)
    for what, item in (
        ("an envelope with a head of two bytes", b"\x98\x04\x01\x0b" + id_ + b"\xa0"),
        ("an envelope of indefinite length", b"\x9f\x01\x0b" + id_ + b"\xa0\xff"),
        ("a version with a head of two bytes", b"\x84\x18\x01\x0b" + id_ + b"\xa0"),
        ("a type with a head of three bytes", b"\x84\x01\x19\x00\x0b" + id_ + b"\xa0"),
        ("an id below 256 in two bytes", b"\x84\x01\x0b\x19\x00\x07\xa0"),
        ("an id below 24 in one byte", b"\x84\x01\x0b\x18\x07\xa0"),
        ("an id in four bytes", b"\x84\x01\x0b\x1a\x00\x00" + id_[1:] + b"\xa0"),
        ("an id in eight bytes", b"\x84\x01\x0b\x1b" + bytes(6) + id_[1:] + b"\xa0"),
        ("a body with a head of two bytes", _item(bench, b"\xb8\x00")),
        ("a body of indefinite length", _item(bench, b"\xbf\xff")),
        ("a key with a head that is not the shortest", _item(bench, b"\xa1\x19\x00\x40\x00")),
        ("a text with a head that is not the shortest", _skipped(bench, b"\x78\x01a")),
        ("a text of indefinite length", _skipped(bench, b"\x7f\x61a\xff")),
        ("bytes of indefinite length", _skipped(bench, b"\x5f\x41a\xff")),
        ("a negative integer that is not the shortest", _skipped(bench, b"\x38\x00")),
        ("an array of indefinite length", _skipped(bench, b"\x9f\xff")),
        ("a map with a head that is not the shortest", _skipped(bench, b"\xb9\x00\x00")),
    ):
        yield from bench.ignored(what, carried(item))


def profile_maps(bench: Bench) -> Procedure[None]:
    """Keys of maps are unsigned integers, ascend, and do not repeat."""
    for what, tail in (
        ("keys that descend", b"\xa2\x18\x41\x00\x18\x40\x00"),
        ("a key twice", b"\xa2\x18\x40\x00\x18\x40\x00"),
        ("a negative key", b"\xa1\x20\x00"),
        ("a key of text", b"\xa1\x61a\x00"),
        ("a key of bytes", b"\xa1\x41a\x00"),
        ("a key that is true", b"\xa1\xf5\x00"),
        ("keys that descend, further down", b"\xa1\x18\x40\xa2\x02\x00\x01\x00"),
        ("a key twice, further down", b"\xa1\x18\x40\xa2\x01\x00\x01\x00"),
        ("a key of text, further down", b"\xa1\x18\x40\xa1\x61a\x00"),
        ("a map that ends behind a key", b"\xa1\x18\x40"),
    ):
        yield from bench.ignored(what, carried(_item(bench, tail)))


def profile_values(bench: Bench) -> Procedure[None]:
    """Tags, floating-point numbers, other simple values and integers out of range have no place."""
    for what, value in (
        ("a tag", b"\xc0\x60"),
        ("a tag of two bytes", b"\xd8\x23\x60"),
        ("a half-precision number", b"\xf9\x3c\x00"),
        ("a single-precision number", b"\xfa\x3f\x80\x00\x00"),
        ("a double-precision number", b"\xfb\x3f\xf0" + bytes(6)),
        ("undefined", b"\xf7"),
        ("a simple value", b"\xe0"),
        ("a simple value of two bytes", b"\xf8\xff"),
        ("a stray break", b"\xff"),
        ("a reserved head", b"\x1c"),
        ("an integer of 2^32", b"\x1b" + (2**32).to_bytes(8)),
        ("an integer of -2^31 - 1", b"\x3a\x80\x00\x00\x00"),
        ("an integer of -2^32", b"\x3a\xff\xff\xff\xff"),
        ("a text that is no UTF-8", b"\x61\xff"),
        ("a text with an overlong form", b"\x62\xc0\x80"),
        ("a text with a surrogate", b"\x63\xed\xa0\x80"),
        ("a text beyond U+10FFFF", b"\x64\xf4\x90\x80\x80"),
        ("a text that ends within a character", b"\x61\xc3"),
        ("an array with a float in it", b"\x81\xf9\x3c\x00"),
    ):
        yield from bench.ignored(what, carried(_skipped(bench, value)))


def profile_ends(bench: Bench) -> Procedure[None]:
    """An item that ends too early, or has bytes behind it, is no message."""
    for what, tail in (
        ("a byte behind the item", b"\xa0\x00"),
        ("another item behind it", b"\xa0\xa0"),
        ("three bytes behind it", b"\xa0\x00\x00\x00"),
        ("no body", b""),
        ("a text longer than the rest", b"\xa1\x18\x40\x62a"),
        ("an array longer than the rest", b"\xa1\x18\x40\x82\x00"),
        ("bytes of four gibibytes", b"\xa1\x18\x40\x5a\xff\xff\xff\xff"),
        ("an array of four gibi-items", b"\xa1\x18\x40\x9a\xff\xff\xff\xff"),
        ("a head that is cut", b"\xa1\x18"),
    ):
        yield from bench.ignored(what, carried(_item(bench, tail)))


def profile_depth(bench: Bench) -> Procedure[None]:
    """A depth of 6 is taken, a depth of 7 is not."""
    for what, inner in (("arrays", b"\x81"), ("maps", b"\xa1\x00")):
        for depth in (3, 4):
            id_ = bench.next_id()
            value = inner * (depth - 1) + (b"\x80" if inner == b"\x81" else b"\xa0")
            item = b"\x84\x01\x0b" + encode(id_) + b"\xa1\x18\x40" + value
            yield from bench.taken(f"{what} of depth {depth + 2}", carried(item), id_)
        for depth in (5, 6, 60):
            value = inner * (depth - 1) + (b"\x80" if inner == b"\x81" else b"\xa0")
            yield from bench.ignored(
                f"{what} of depth {depth + 2}", carried(_skipped(bench, value))
            )


# ----------------------------------------------------------------------------------------- clause 4


def envelopes(bench: Bench) -> Procedure[None]:
    """An item that is not [1...255, 0...255, 0...65535, map] is ignored."""
    id_ = bench.next_id()
    forms: tuple[tuple[str, Item], ...] = (
        ("an array of three", [1, _STATUS, id_]),
        ("an array of five", [1, _STATUS, id_, {}, 0]),
        ("an empty array", []),
        ("a map", {1: _STATUS}),
        ("an integer", 7),
        ("null", None),
        ("version 0", [0, _STATUS, id_, {}]),
        ("version 256", [256, _STATUS, id_, {}]),
        ("version -1", [-1, _STATUS, id_, {}]),
        ("a version of text", ["1", _STATUS, id_, {}]),
        ("type 256 + 11", [1, 256 + _STATUS, id_, {}]),
        ("a negative type", [1, -2, id_, {}]),
        ("a type that is true", [1, True, id_, {}]),
        ("id 65536", [1, _STATUS, 65536, {}]),
        ("a negative id", [1, _STATUS, -1, {}]),
        ("an id of bytes", [1, _STATUS, b"\x01", {}]),
        ("a body that is an array", [1, _STATUS, id_, []]),
        ("a body that is null", [1, _STATUS, id_, None]),
        ("a body of bytes", [1, _STATUS, id_, b""]),
    )
    for what, item in forms:
        yield from bench.ignored(what, carried(encode(item)))


def ids(bench: Bench) -> Procedure[None]:
    """Every id is carried back, those at the ends of the range too."""
    for id_ in (0, 1, 23, 24, 255, 256, 65535):
        _, line = bench.line(_STATUS, id_=id_)
        got = yield from bench.converse([line], [id_])
        if [message.id for message in got] != [id_]:
            raise NotMet(f"the request with id {id_} was not answered with this id")


def in_order(bench: Bench) -> Procedure[None]:
    """One reply to each request, in the order in which they came."""
    kinds: tuple[tuple[int, Body], ...] = (
        (MessageType.HELLO, {}),
        (_STATUS, {}),
        (MessageType.GET_SCHEMA, {GetSchemaKey.OFFSET: 0, GetSchemaKey.LENGTH: 5}),
        (99, {}),
        (MessageType.GET_VALUES, {GetValuesKey.FIRST: 511, 3: 3}),
    )
    yield from bench.ask_many([kinds[n % len(kinds)] for n in range(25)])
    yield from bench.after()


def unasked(bench: Bench) -> Procedure[None]:
    """A board speaks only when asked."""
    yield from bench.silence(1500)


def _base_body(bench: Bench, type_: int) -> Body:
    """Return a body of the right form that changes nothing, whatever becomes of it."""
    other = bench.generation ^ 0x5A5A
    bodies: dict[int, Body] = {
        MessageType.GET_SCHEMA: {GetSchemaKey.OFFSET: 0, GetSchemaKey.LENGTH: 1},
        MessageType.GET_VALUES: {GetValuesKey.FIRST: 0},
        MessageType.SET_FIELD: {SetFieldKey.FIELD: "no-such.field", SetFieldKey.VALUE: 0},
        MessageType.COMMIT: {
            CommitKey.COUNT: 512,
            CommitKey.DIGEST: 0,
            CommitKey.TOKEN: bench.token(),
        },
        MessageType.DISCARD: {DiscardKey.BOOT: bench.boot},
        MessageType.UNDO: {UndoKey.GENERATION: other},
        MessageType.ERASE: {1: other},
        MessageType.RESTART: {1: bench.boot ^ 0x5A5A},
        MessageType.CONFIRM: {1: other},
    }
    return bodies.get(type_, {})


def _requests(bench: Bench) -> Iterator[int]:
    """Yield the types of requests that the board offers."""
    for type_, row in MESSAGES.items():
        if row.is_request and (row.needs is None or row.needs in bench.capabilities):
            yield int(type_)


def unknown_keys(bench: Bench) -> Procedure[None]:
    """A key below 64 that is not known makes any request `malformed`."""
    for type_ in _requests(bench):
        for key in (0, 30, 63):
            body = {**_base_body(bench, type_), key: 0}
            what = f"{MESSAGES[type_].name} with key {key}"
            yield from bench.refused(
                type_, dict(sorted(body.items())), Refusal.MALFORMED, what=what
            )


def skipped_keys(bench: Bench) -> Procedure[None]:
    """A key from 64 up is skipped, whatever its value within the profile."""
    values: tuple[Item, ...] = (
        0, -1, -(2**31), 2**32 - 1, True, False, None, "", "é", b"", bytes(40), [], {},
        [1, "a", [b""]], {0: {5: []}}, list(range(30)),
    )  # fmt: skip
    for value in values:
        yield from bench.answer(_STATUS, {SKIPPABLE_FROM: value})
    for key in (64, 255, 256, 65536, 2**32 - 1):
        yield from bench.answer(_STATUS, {key: 0})
    for type_ in (MessageType.HELLO, MessageType.GET_SCHEMA, MessageType.GET_VALUES):
        yield from bench.answer(type_, {**_base_body(bench, type_), 64: 0, 100: [{}]})
    yield from bench.answer(MessageType.DISCARD, {DiscardKey.BOOT: bench.boot, 64: "x"})


def hello_of_any_version(bench: Bench) -> Procedure[None]:
    """A hello of any version is answered, and of its body nothing is looked at."""
    hellos: tuple[tuple[int, Body], ...] = (
        (2, {}),
        (255, {}),
        (2, {1: 7}),
        (200, {0: "x", 5: [1, {2: b""}], 63: None}),
    )
    for version, body in hellos:
        reply = yield from bench.ask(MessageType.HELLO, body, version=version)
        if reply.type != MessageType.HELLO_REPLY:
            raise NotMet(f"a hello of version {version} was refused")


def other_versions(bench: Bench) -> Procedure[None]:
    """A request of another version is refused with `unsupported-version`, before all else."""
    spoken = bench.hello[HelloReplyKey.VERSIONS]
    assert isinstance(spoken, list)
    details: Body = {RefusalKey.SUPPORTED: spoken}
    for version in (2, 255):
        if version in spoken:
            continue
        for type_, body in ((_STATUS, {}), (_STATUS, {1: 1}), (99, {}), (MessageType.COMMIT, {})):
            yield from bench.refused(
                type_, body, Refusal.UNSUPPORTED_VERSION, details, version=version,
                what=f"type {type_} of version {version}",
            )  # fmt: skip


def unknown_types(bench: Bench) -> Procedure[None]:
    """A type that the board does not know is refused with `unknown-type` and those it knows."""
    for type_ in (27, 29, 63, 99, 127, 255):
        for body in ({}, {1: 1}):
            reply = yield from bench.ask(type_, body)
            bench.must_refuse(reply, Refusal.UNKNOWN_TYPE, what=f"type {type_}")
            known = reply.body.get(RefusalKey.SUPPORTED)
            if not isinstance(known, list):
                continue  # noted under 7.2
            numbers = [t for t in known if isinstance(t, int)]  # as 11.2 wants them all to be
            if numbers != sorted(set(numbers)):
                raise NotMet("`supported` does not ascend")
            lacking = [t for t in _requests(bench) if t not in known]
            if lacking:
                raise NotMet(f"`supported` lacks type {lacking[0]}, which the board offers")
            if any(t % 2 == 0 for t in numbers):
                raise NotMet("`supported` has an even type, which is no request")


def not_offered(bench: Bench) -> Procedure[None]:
    """A type whose capability the board does not offer is refused with `not-offered`."""
    offered = set(_requests(bench))
    missing = [int(t) for t, row in MESSAGES.items() if row.is_request and t not in offered]
    if not missing:
        raise NotApplicable("the board offers everything")
    for type_ in missing:
        what = MESSAGES[type_].name
        yield from bench.refused(type_, _base_body(bench, type_), Refusal.NOT_OFFERED, what=what)


def forms(bench: Bench) -> Procedure[None]:
    """A body that lacks a key, or has a value outside the table, is `malformed`."""
    for type_ in _requests(bench):
        row = MESSAGES[type_]
        base = _base_body(bench, type_)
        bad: list[tuple[str, Body]] = []
        for key, known in row.body.items():
            if known.required:
                bad.append((f"without {known.name}", {k: v for k, v in base.items() if k != key}))
            bad += [
                (f"with {known.name} {value!a:.30}", dict(sorted({**base, key: value}.items())))
                for value in _outside(known.shape)
            ]
        if type_ == MessageType.SET_FIELD:
            bad += _bad_set_fields()
        for what, body in bad:
            if not bench.fits(type_, body):
                continue
            yield from bench.refused(type_, body, Refusal.MALFORMED, what=f"{row.name} {what}")


def _outside(shape: Shape) -> list[Item]:
    """Return values that do not have this form."""
    match shape:
        case Integer(least, most):
            ends = [least - 1, most + 1]
            return [
                *(end for end in ends if -(2**31) <= end < 2**32),
                "1",
                b"1",
                None,
                True,
                [1],
                {},
            ]
        case Text(least, most):
            return [
                "a" * (most + 1),
                "é" * (most // 2 + 1),
                *([""] if least else []),
                b"a",
                1,
                None,
            ]
        case Bytes(least, most):
            return [bytes(most + 1), *([bytes(least - 1)] if least else []), "a", 1, None, [b"a"]]
        case Either(shapes) if any(isinstance(each, Value) for each in shapes):
            return [[], {}, [1]]
        case Array():
            return [1]
    return []


def _bad_set_fields() -> list[tuple[str, Body]]:
    key, value, offset, total, part = SetFieldKey
    whole: Body = {key: "no-such.field", value: 0}
    parts: Body = {key: "no-such.field", offset: 0, total: 4, part: b"ab"}
    return [
        ("with neither value nor part", {key: "no-such.field"}),
        ("with value and part", {**whole, offset: 0, total: 4, part: b"ab"}),
        ("with value and offset", {**whole, offset: 0}),
        ("without offset", {k: v for k, v in parts.items() if k != offset}),
        ("without total", {k: v for k, v in parts.items() if k != total}),
        ("without part", {k: v for k, v in parts.items() if k != part}),
        ("with a part of no bytes", {**parts, part: b""}),
        ("with a part of text", {**parts, part: "ab"}),
        ("with total 0", {**parts, total: 0}),
        ("with total 65536", {**parts, total: 65536}),
        ("with offset -1", {**parts, offset: -1}),
        ("with a part beyond total", {**parts, offset: 3}),
        ("with a part longer than total", {**parts, total: 1}),
    ]


def order_of_checks(bench: Bench) -> Procedure[None]:
    """Version, type, form, capability, presence, state, generation: the first fault decides."""
    yield from bench.refused(
        99, {1: 1}, Refusal.UNSUPPORTED_VERSION, version=3, what="version, type"
    )
    malformed = Refusal.MALFORMED
    commit: Body = {CommitKey.COUNT: 0, CommitKey.DIGEST: 0, CommitKey.TOKEN: bytes(8)}
    yield from bench.refused(MessageType.COMMIT, commit, malformed, what="form, state")
    yield from bench.refused(
        MessageType.DISCARD, {1: bench.boot ^ 1, 2: 0}, malformed, what="form, boot"
    )
    for capability, type_ in (
        (Capability.UNDO, MessageType.UNDO),
        (Capability.ERASE, MessageType.ERASE),
        (Capability.TRIAL, MessageType.CONFIRM),
        (Capability.RESTART, MessageType.RESTART),
    ):
        if capability in bench.capabilities:
            yield from bench.refused(type_, {1: -1}, malformed, what="form, state, generation")


# --------------------------------------------------------------------------------------- clause 5.6


def full_credit(bench: Bench) -> Procedure[None]:
    """With as many bytes on their way as the credit admits, all is answered, in order."""
    credit = bench.number(HelloReplyKey.CREDIT)
    _, short = bench.line(_STATUS)
    _, long = padded(bench, bench.line_limit * 3 // 4)
    for what, size, most in (
        ("longest", len(long), credit),
        ("short", len(short), min(credit, 8192)),
    ):
        lines = []
        left = most
        while left >= size:
            id_, line = (
                padded(bench, bench.line_limit * 3 // 4)
                if what == "longest"
                else bench.line(_STATUS)
            )
            if len(line) > left:
                break
            left -= len(line)
            lines.append((id_, line))
        got = yield from bench.converse([line for _, line in lines], [id_ for id_, _ in lines])
        if [message.id for message in got] != [id_ for id_, _ in lines]:
            raise NotMet(
                f"of {len(lines)} requests of the {what} lines sent at once, {most - left} bytes of"
                f" credit {credit}, {len(got)} were answered, or not in order"
            )


def repeats(bench: Bench) -> Procedure[None]:
    """The same bytes again get the same answer."""
    requests: tuple[tuple[int, Body], ...] = (
        (MessageType.GET_SCHEMA, {GetSchemaKey.OFFSET: 0, GetSchemaKey.LENGTH: 20}),
        (MessageType.GET_VALUES, {GetValuesKey.FIRST: 0}),
        (MessageType.SET_FIELD, {SetFieldKey.FIELD: "no-such.field", SetFieldKey.VALUE: 0}),
        (MessageType.DISCARD, {DiscardKey.BOOT: bench.boot}),
        (99, {}),
    )
    for type_, body in requests:
        id_, line = bench.line(type_, body)
        first = yield from bench.ask(type_, id_=id_, again=line)
        second = yield from bench.ask(type_, id_=id_, again=line)
        if (first.type, first.body) != (second.type, second.body):
            raise NotMet("the repeat got another answer")


def stalls(bench: Bench) -> Procedure[None]:
    """A request that comes byte by byte, with pauses, is taken."""
    id_, line = bench.line(_STATUS)
    yield from bench.after()
    at = 0
    while at < len(line) - 3:
        yield Send(line[at : at + 3])
        yield from bench.silence(10)
        at += 3
    yield from bench.taken("a request in pieces", line[at:], id_)


LINE_CHECKS = (
    Check("2.2", "LF, CR and both end a line", line_ends),
    Check("2.2", "A message is taken whatever stood before it", noise),
    Check("2.2", "A tilde that does not begin a line means nothing", tilde_within),
    Check("2.2", "Damaged lines are ignored in silence", damaged),
    Check("2.2", "BODY is base64url: no plus, no slash", alphabet),
    Check("2.2", "No length of 1 modulo 4, no unused bit set", lengths),
    Check("2.1", "One or two flipped bits are always noticed", flipped_bits),
    Check("2.2", "A line that is too long is dropped up to its end", oversize),
    Check("2.2", "Log text is not answered", log_text),
    Check("2.2", "Echoes of replies are ignored", echoes),
    Check("2.2", "A request may come in pieces", stalls),
    Check("3", "Heads are the shortest, lengths definite", profile_heads),
    Check("3", "Keys of maps ascend, and are unsigned integers", profile_maps),
    Check("3", "No tags, floats, other values, bad UTF-8", profile_values),
    Check("3", "Nothing missing, nothing behind the item", profile_ends),
    Check("3", "Depth 6 is taken, depth 7 is not", profile_depth),
    Check("4.1", "An item of another form is ignored", envelopes),
    Check("4.1", "Every id is carried back", ids),
    Check("4.1", "One reply to each request, in order", in_order),
    Check("4.1", "The board speaks only when asked", unasked),
    Check("4.2", "Unknown keys below 64 are refused", unknown_keys),
    Check("4.2", "Keys from 64 up are skipped", skipped_keys),
    Check("4.2", "A hello of any version is answered", hello_of_any_version),
    Check("4.2", "Requests of other versions are refused", other_versions),
    Check("4.2", "Unknown types are refused", unknown_types),
    Check("4.2", "What is not offered is refused as such", not_offered),
    Check("11.2", "Bodies of another form are refused", forms),
    Check("4.3", "The first check that fails decides", order_of_checks),
    Check("5.6", "The announced credit can be used in full", full_credit),
    Check("5.7", "Repeats are harmless", repeats),
    Check("6.1", "A line of the announced length is taken", longest_line),
)
"""What needs no schema and changes nothing."""
