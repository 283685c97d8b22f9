# SPDX-License-Identifier: MIT
"""Values that the kit makes up: for single fields, good and bad, and for all fields together.

What a board has to say to them is in `expected` and `expected_values`; here are only values at
which boards differ. Those of secrets are random throughout, so that they can be searched for.
"""

from __future__ import annotations

import random
import string
from collections.abc import Callable, Iterable, Mapping

from provision.conformance.expected import commit_refusal, named_by, needs_value
from provision.conformance.expected_values import TYPES, is_key_only, limits, value_refusal
from provision.contract.profile import Item
from provision.contract.table import Characters, Kind
from provision.schema.model import Field, Schema, Setting, Value

_LONGEST_TRIED = 2000  # bytes of a blob: more would only take time
_ALPHABETS: Mapping[Characters, str] = {
    Characters.PRINTABLE: string.ascii_letters + string.digits,
    Characters.ASCII: string.ascii_letters + string.digits,
    Characters.WORD: string.ascii_letters + string.digits,
    Characters.DIGITS: string.digits,
}
_HOSTS = (
    "a", "A-b.C9", "mast.example.org", "192.0.2.7", "3com.example", "1.2.3.4a", "x" * 63,
    ".".join(["y" * 63] * 3 + ["y" * 61]),
    "", "a..b", ".a", "a.", "-a", "a-", "a.-b", "a-.b", "x" * 64, "256.0.0.1", "1.2.3", "01.2.3.4",
    "1.2.3.4.5", "a.1", "7", "a_b", "a b", "f\u00fcnf.example", "a/b", "a:1", "a\x00",
)  # fmt: skip
_URL_RESTS = (
    "a", "a/", "a:1/x", "a:65535", "a:00080/", "a?q=1", "a#f", "a/%41",
    "a/~!$&'()*+,;=:@", "192.0.2.7/", "a/%4a",
    "", "/x", ":80", "a:0", "a:65536", "a:", "a:123456", "a:8o/", "u@a/", "u:p@a/", "a/%4", "a/%zz",
    "a#b#c", "a b", "[::1]/", "a/[", "a/\u00e9", "a\\b", "a..b/", "a.1/", "-a/", "a/{}",
    "a:65616", "192.0.2.256/",
)  # fmt: skip
_ZONES = (
    "UTC0", "CET-1CEST,M3.5.0,M10.5.0/3", "GMT0BST,M3.5.0/1,M10.5.0", "<+0545>-5:45",
    "<+1030>-10:30<+11>-11,M10.1.0,M4.1.0", "<-02>2<-01>,M3.5.0/-1,M10.5.0/0", "AAA24:59:59",
    "AAA0BBB,J1,365", "AAA0BBB,0/-167,J365/167:59:59", "AAA+0BBB,M01.1.0,M12.5.6",
    "", "UTC", "AA0", "UTC25", "UTC0:60", "CET-1CEST", "CET-1CEST,M3.5.0", "AAA0BBB,M13.1.0,M1.1.0",
    "AAA0BBB,M1.0.0,M1.1.0", "AAA0BBB,M1.6.0,M1.1.0", "AAA0BBB,M1.1.7,M1.1.0", "AAA0BBB,J0,J1",
    "AAA0BBB,366,1", "AAA0BBB,J1/168,J2", "<AA>0", "<+05_5>0", "A1A0", "UTC0 ", "UTC0\x7f",
    "utc\u00e9",
    "AAA0BBB,J0001,J2", "AAA0BBB,M3.05.0,M4.1.0", "AAA0BBB,j1,J2", "AAA000", "AAA0BBB,J1,J2,",
    "Pacific8", "UTC0:5", "CET-1CEST-2",
)  # fmt: skip


def random_text(chance: random.Random, characters: Characters, size: int) -> str:
    """Return text of so many bytes, of letters and digits as far as they are admitted."""
    return "".join(chance.choices(_ALPHABETS[characters], k=size))


def tries(setting: Setting, schema: Schema, chance: random.Random) -> list[Item]:
    """Return values to be tried on a field: of its CBOR type, good and bad, then of other types."""
    field = setting.field
    own = list(dict.fromkeys(_own(field, schema, chance)))
    others: tuple[Item, ...] = (5, True, "5", b"5", *_alike(field.kind, chance))
    return [*own, *(other for other in others if type(other) is not TYPES[field.kind])]


def _alike(kind: Kind, chance: random.Random) -> tuple[Item, ...]:
    """Return values of another CBOR type that mean something for a kind, yet are not taken."""
    if kind is Kind.YES_NO:
        return (1, "true")
    return (chance.randbytes(32),) if kind is Kind.PASSPHRASE else ()  # a key as it is


def _own(field: Field, schema: Schema, chance: random.Random) -> Iterable[Value]:
    kind = TYPES[field.kind]
    if kind is bool:
        return [True, False]
    if kind is int:
        return _integers(field, schema)
    if kind is bytes:
        return _octets(field, chance)
    if field.kind is Kind.CHOICE:
        return _choices(field)
    if field.kind is Kind.HOST:
        return [
            *_HOSTS,
            "h" * limits(field)[1],
            "h." * limits(field)[1],
            _host_of(limits(field)[1] + 1),
        ]
    if field.kind is Kind.URL:
        return _urls(field)
    if field.kind is Kind.TIME_ZONE:
        return [*_ZONES, "<" + "A" * 60 + ">0", "<" + "A" * 61 + ">0"]
    return _texts(field, chance)


def _host_of(size: int) -> str:
    return ("h" + ".h" * size)[: size - 1] + "h"


def _integers(field: Field, schema: Schema) -> list[Value]:
    least, most = limits(field)
    near = [least - 1, least, least + 1, most - 1, most, most + 1, (least + most) // 2]
    # As an 8, 16 or 32 bit variable would take them for others.
    wrapped = [most + 256, most + 65536, least + 256, 0, -1, 255, 2**31 - 1, 2**31, 2**32 - 1]
    pins = []
    if field.kind is Kind.PIN:
        numbers = [pin.number for pin in schema.pins]
        pins = [
            *numbers,
            *(number + 1 for number in numbers),
            *(number + 256 for number in numbers),
        ]
    return [each for each in [*near, *wrapped, *pins] if -(2**31) <= each < 2**32]


def _octets(field: Field, chance: random.Random) -> list[Value]:
    if field.kind is Kind.IP:
        return [bytes(range(1, size + 1)) for size in (0, 1, 3, 4, 5, 15, 16, 17)]
    least, most = limits(field)
    most = min(most, _LONGEST_TRIED)
    sizes = [least - 1, least, (least + most) // 2, most, most + 1]
    made: list[Value] = [chance.randbytes(size) for size in sizes if size >= 0]
    if not field.is_secret and least <= 2 <= most:
        made += [b"\n~", b"\x00\xff"]
    return made


def _choices(field: Field) -> list[Value]:
    keys: list[Value] = [option.key for option in field.options]
    for option in field.options:
        key = option.key
        keys += [key + "x", key[:-1], key.upper(), key + "\x00", option.label, f" {key}"]
    return [*keys, "", "no-such-option", "x" * 40]


def _urls(field: Field) -> list[Value]:
    urls = [f"{scheme}://a.example/{index}" for index, scheme in enumerate(field.schemes)]
    urls += [f"{field.schemes[0]}://{rest}" for rest in _URL_RESTS]
    head = f"{field.schemes[0]}://a/"
    for size in (limits(field)[1], limits(field)[1] + 1):
        urls.append(head + "p" * (size - len(head)))
    first = field.schemes[0]
    schemes = (first.upper(), f"x{first}", f"{first}x")
    urls += [f"{scheme}://a" for scheme in schemes]
    return [*urls, f"{first}:/a", f"{first}:a", first, ""]


_STRANGE = (*"\x00\x1f\x7f\x80\x9f\xa0 ~-_.,é\u202e😀A",)


def _texts(field: Field, chance: random.Random) -> list[Value]:
    if field.kind is Kind.PASSPHRASE:
        least, most, keyed = 8, 63, True  # where only the key is taken, these are refused
    else:
        (least, most), keyed = limits(field), False
    characters = field.characters
    sizes = [least - 1, least, (least + most) // 2, most, most + 1, most + 2]
    made: list[Value] = [
        random_text(chance, characters, min(size, _LONGEST_TRIED)) for size in sizes if size >= 0
    ]
    # One strange character in a text that is otherwise good, and of a good length.
    size = max(least, min(most, 12))
    for strange in _STRANGE:
        room = size - len(strange.encode())
        if room >= 0:
            rest = random_text(chance, characters, room)
            made.append(rest[: room // 2] + strange + rest[room // 2 :])
    # Bytes count, not characters: the same number of characters is too long here.
    made.append("é" + random_text(chance, characters, most - 1))
    if keyed:
        key = chance.randbytes(32).hex()
        made += [key, key.upper(), key[:-1] + "g", key[:-1] + " ", key[:-2] + "é", key + "0"]
    return made


# --------------------------------------------------------------------------- one good value of each


def good_value(setting: Setting, schema: Schema, chance: random.Random, turn: int) -> Value | None:
    """Return a value that the field takes, another one at another turn; None if none was found."""
    field, kind = setting.field, setting.field.kind
    least, most = limits(field)
    made: Value | None = None
    if kind is Kind.YES_NO:
        made = bool(turn % 2)
    elif kind is Kind.CHOICE:
        made = field.options[turn % len(field.options)].key
    elif kind is Kind.PIN:
        made = next(iter(pins_for(field, schema)), None)
    elif kind is Kind.HOST:
        made = f"h{chance.randrange(10**6)}.example"[:most].rstrip(".")
    elif kind is Kind.URL:
        made = f"{field.schemes[turn % len(field.schemes)]}://h/{chance.randrange(10**6)}"[:most]
    elif kind is Kind.IP:
        made = bytes([192, 0, 2, chance.randrange(1, 255)])
        if not field.families & 1:
            made = bytes.fromhex("20010db8") + chance.randbytes(12)
    elif kind is Kind.TIME_ZONE:
        made = _ZONES[turn % 6]
    elif TYPES[kind] is int:
        made = chance.randint(least, most if turn % 2 or least >= 0 else min(most, -1))
    elif TYPES[kind] is bytes:
        made = chance.randbytes(chance.randint(max(least, min(16, most)), min(most, 200)))
    elif kind is Kind.PASSPHRASE:
        made = _good_passphrase(field, chance)
    else:
        size = chance.randint(max(least, min(16, most)), max(least, min(most, 120)))
        made = random_text(chance, field.characters, size)
    return made if made is not None and value_refusal(field, made, schema) is None else None


def _good_passphrase(field: Field, chance: random.Random) -> str:
    if is_key_only(field):
        return chance.randbytes(32).hex()
    return random_text(chance, Characters.WORD, chance.randint(16, 40))


def pins_for(field: Field, schema: Schema) -> list[int]:
    """Return the pins that a field can have."""
    return [pin.number for pin in schema.pins if value_refusal(field, pin.number, schema) is None]


def good_set(schema: Schema, chance: random.Random, turn: int) -> dict[str, Value | None] | None:
    """Return values for all fields that keep the rules of the whole, None where one is cleared.

    Every field is in it, so that it is all that is stored afterwards. None if none was found.
    """
    for admits in _SCOPES:
        values: dict[str, Value | None] = {
            s.key: good_value(s, schema, chance, turn)
            if admits(s) or (_least_in_use(s) and needs_value(s.field, schema))
            else None
            for s in schema.settings
        }
        for setting in schema.settings:  # neither of a pair without the other
            if setting.field.network is not None:
                name = named_by(setting, setting.field.network)
                if values.get(name) is None:
                    values[setting.key] = None
        _place_pins(schema, values, turn)
        if commit_refusal(schema, {}, values) is None:
            return values
    return None


def _least_in_use(setting: Setting) -> bool:
    repeat = setting.section.repeat
    return repeat is None or setting.instance is None or setting.instance <= repeat.least


def _is_partner(setting: Setting) -> bool:
    return setting.field.kind in (Kind.NETWORK_NAME, Kind.PASSPHRASE)


_SCOPES: tuple[Callable[[Setting], bool], ...] = (
    lambda _: True,
    _least_in_use,
    lambda setting: _least_in_use(setting) and _is_partner(setting),
)
"""Which fields to set beside those that need a value: all, or, where these leave no pins, fewer."""


def _place_pins(schema: Schema, values: dict[str, Value | None], turn: int) -> None:
    """Give each pin field that has a value a pin of its own, the pickiest fields first."""
    fields = [s for s in schema.settings if s.field.kind is Kind.PIN and values[s.key] is not None]
    fields.sort(key=lambda s: (len(pins_for(s.field, schema)), not s.field.required))
    used: set[int] = set()
    for setting in fields:
        free = [pin for pin in pins_for(setting.field, schema) if pin not in used]
        if free:
            values[setting.key] = free[turn % len(free)]
            used.add(free[turn % len(free)])
        else:
            values[setting.key] = None
