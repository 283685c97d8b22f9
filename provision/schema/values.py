# SPDX-License-Identifier: MIT
"""Values of settings: checked as a board checks them, read from what people type, and shown.

check_value() is clause 9 of the contract and gives the same refusal as every board. parse() and
show() are the host's affair. No words of this module repeat what was typed, which may be a secret;
what the firmware's author wrote stands in them as it is, and who shows it cleans it.
"""

from __future__ import annotations

import hashlib
import ipaddress
import re
import unicodedata
from collections.abc import Callable, Mapping
from dataclasses import replace
from types import MappingProxyType
from typing import cast

from provision.contract.table import Ability, Characters, Kind, Refusal
from provision.phrases import Phrase, counted, joined, mark, phrase
from provision.schema.model import Field, Schema, Value
from provision.schema.table import KIND_LIMITS, LENGTH_OF_KEY, VALUE_TYPES
from provision.schema.time_zones import is_tz_string, zones


class ValueProblem(ValueError):  # noqa: N818 - a problem of the person's, not of the program
    """What was typed is not a value for the field; `words` follow the field's label."""

    def __init__(self, words: Phrase, code: Refusal) -> None:
        super().__init__(words)
        self.words = words
        self.code = code


def limits(field: Field) -> tuple[int, int]:
    """Return the smallest and largest value of a number, or the shortest and longest length."""
    least, most = KIND_LIMITS[field.kind]
    if field.kind is Kind.IP:
        sizes = _address_sizes(field)
        return min(sizes), max(sizes)
    return (
        least if field.minimum is None else field.minimum,
        most if field.maximum is None else field.maximum,
    )


# ---------------------------------------------------------------------------- checking (clause 9)


def check_value(field: Field, value: Value, schema: Schema) -> Refusal | None:
    """Return why a board refuses a value for a field by itself, None if it takes it.

    The checks and their order are those of clauses 9.1 to 9.4. Of the schema only the pins count.
    Never raises, whatever the value is.
    """
    # Not isinstance: a bool is an int in Python, and none in CBOR.
    if type(value) is not VALUE_TYPES[field.kind]:
        return Refusal.WRONG_KIND
    if isinstance(value, bool):
        return None
    if isinstance(value, str):
        return (
            _check_choice(field, value) if field.kind is Kind.CHOICE else _check_text(field, value)
        )
    if isinstance(value, bytes):
        return _check_octets(field, value)
    if field.kind is Kind.PIN:
        return _check_pin(field, value, schema)
    least, most = limits(field)
    return None if least <= value <= most else Refusal.RANGE


def _check_pin(field: Field, number: int, schema: Schema) -> Refusal | None:
    pin = schema.pin(number)
    if pin is None:
        return Refusal.PIN_UNFIT
    if pin.taken is not None:
        return Refusal.PIN_TAKEN
    return None if field.needs & pin.abilities == field.needs else Refusal.PIN_UNFIT


def _check_octets(field: Field, value: bytes) -> Refusal | None:
    least, most = limits(field)
    fits = least <= len(value) <= most
    if field.kind is Kind.IP:
        fits = len(value) in _address_sizes(field)
    return None if fits else Refusal.LENGTH


def _address_sizes(field: Field) -> tuple[int, ...]:
    return tuple(size for family, size in ((1, 4), (2, 16)) if field.families & family)


def _check_choice(field: Field, value: str) -> Refusal | None:
    if _LONE_SURROGATE.search(value):
        return Refusal.CHARACTERS
    known = any(option.key == value for option in field.options)
    return None if known else Refusal.NO_SUCH_OPTION


# What the error handler "surrogateescape" makes of bytes that are no UTF-8 (clause 9.1, last line).
_LONE_SURROGATE = re.compile("[\ud800-\udfff]")
_HEX_DIGITS = re.compile(r"[0-9A-Fa-f]*")

CHARACTER_SETS: Mapping[Characters, re.Pattern[str]] = MappingProxyType(
    {
        Characters.PRINTABLE: re.compile("[^\x00-\x1f\x7f-\x9f]*"),
        Characters.ASCII: re.compile(r"[ -~]*"),
        Characters.WORD: re.compile(r"[A-Za-z0-9._-]*"),
        Characters.DIGITS: re.compile(r"[0-9]*"),
    }
)
KIND_CHARACTERS: Mapping[Kind, re.Pattern[str]] = MappingProxyType(
    {
        Kind.PASSPHRASE: CHARACTER_SETS[Characters.ASCII],
        Kind.HOST: re.compile(r"[A-Za-z0-9.-]*"),
        # RFC 3986 section 2.2 and 2.3 without brackets, and the percent sign of section 2.1.
        Kind.URL: re.compile(r"[A-Za-z0-9._~:/?#@!$&'()*+,;=%-]*"),
        Kind.TIME_ZONE: re.compile(r"[!-~]*"),
    }
)


def _check_text(field: Field, value: str) -> Refusal | None:
    least, most = limits(field)
    length = len(value.encode("utf-8", "replace"))  # which counts a lone surrogate as one byte
    if not least <= length <= most:
        return Refusal.LENGTH
    if _LONE_SURROGATE.search(value):
        return Refusal.CHARACTERS
    if field.kind is Kind.PASSPHRASE and length == LENGTH_OF_KEY:
        return None if _HEX_DIGITS.fullmatch(value) else Refusal.FORM
    characters = KIND_CHARACTERS.get(field.kind, CHARACTER_SETS[field.characters])
    if not characters.fullmatch(value):
        return Refusal.CHARACTERS
    well_formed = (
        (field.kind is not Kind.HOST or _is_host(value))
        and (field.kind is not Kind.URL or _is_url(value, field.schemes))
        and (field.kind is not Kind.TIME_ZONE or is_tz_string(value))
    )
    return None if well_formed else Refusal.FORM


_LABEL = re.compile(r"[A-Za-z0-9](?:[A-Za-z0-9-]{0,61}[A-Za-z0-9])?")
_DIGITS = re.compile(r"[0-9]+")
DECIMAL_OCTET = r"(?:25[0-5]|2[0-4][0-9]|1[0-9]{2}|[1-9]?[0-9])"
_IPV4 = re.compile(rf"{DECIMAL_OCTET}(?:\.{DECIMAL_OCTET}){{3}}")
_PORT = re.compile(r"[0-9]{1,5}")
_STRAY_PERCENT = re.compile(r"%(?![0-9A-Fa-f]{2})")


def _is_host(text: str) -> bool:
    """Whether a text is a host name (RFC 952, RFC 1123 section 2.1) or an IPv4 address."""
    labels = text.split(".")
    if not all(_LABEL.fullmatch(label) for label in labels):
        return False
    return not _DIGITS.fullmatch(labels[-1]) or _IPV4.fullmatch(text) is not None


def _is_url(text: str, schemes: tuple[str, ...]) -> bool:
    """Whether a text of admitted characters is a URL (RFC 3986, narrowed by clause 9.3)."""
    scheme, mark, rest = text.partition("://")
    if not mark or scheme not in schemes:
        return False
    if _STRAY_PERCENT.search(text) or text.count("#") > 1:
        return False
    authority = re.split("[/?#]", rest, maxsplit=1)[0]
    host, colon, port = authority.partition(":")
    if colon and not (_PORT.fullmatch(port) and 1 <= int(port) <= 65535):
        return False
    return _is_host(host)  # its 253 bytes are more than a scheme leaves of a URL's 255


# ------------------------------------------------------------------- reading what people typed


def parse(
    field: Field, text: str, schema: Schema, yes_and_no: tuple[str, str] = ("yes", "no")
) -> Value:
    """Return the value that a person means by what they typed.

    Numbers may have their unit, decimals a comma or a point, lengths of time several units ("1 h
    30 min"; a bare number is in the field's unit). Yes and no may be words or 1 and 0. A choice is
    its key or its label, a pin its number or its name, a time zone its IANA name or its TZ string.
    Hex digits may be parted by spaces, colons or hyphens. A network name or a blob is taken as it
    was typed, or given in hex digits after "hex:".

    yes_and_no: the words of the person's language, which count beside those of English.

    Raises ValueProblem if it means none, or one that a board would refuse.
    """
    value: Value | None
    if field.kind is Kind.YES_NO:
        value = read_yes_or_no(text, *yes_and_no)
    else:
        value = _READERS[field.kind](field, text, schema)
    if value is None:
        raise _problem(field, Refusal.FORM)
    field = as_typed(field)
    code = check_value(field, value, schema)
    if code is not None:
        raise _problem(field, code)
    return value


def as_typed(field: Field) -> Field:
    """Return the field with the limits of what a person types for it.

    Where a board takes nothing but the key of a network, the passphrase is what people know, and
    the host makes the key of it (clause 9.2).
    """
    return replace(field, minimum=None) if is_key_only(field) else field


def is_key_only(field: Field) -> bool:
    """Whether a board takes nothing but the key of a network, and never its passphrase."""
    return field.kind is Kind.PASSPHRASE and field.minimum == LENGTH_OF_KEY


def network_key(passphrase: str, name: bytes) -> str:
    """Return the key of a network in hexadecimal digits (IEEE 802.11-2016 J.4.1).

    A passphrase of 64 characters is the key itself.
    """
    if len(passphrase) == LENGTH_OF_KEY:
        return passphrase
    return hashlib.pbkdf2_hmac("sha1", passphrase.encode("ascii"), name, 4096, 32).hex()


def _problem(field: Field, code: Refusal) -> ValueProblem:
    return ValueProblem(refusal_words(field, code), code)


SPACES = "\t\n\v\f\r \xa0\u1680\u2028\u2029\u202f\u205f\u3000\ufeff" + "".join(
    map(chr, range(0x2000, 0x200B))
)
"""What may stand around what is typed: the white space of ECMA-262 clause 22.1.3.32."""

_SPACE = f"[{SPACES}]"


def _plain(text: str) -> str:
    """Return a text without spaces around it, canonical equivalents being the same (UAX 15)."""
    return unicodedata.normalize("NFC", text.strip(SPACES))


def _folded(text: str) -> str:
    """Return a plain text, letter case aside (the Unicode Standard, clause 3.13)."""
    return _plain(text).casefold()


def _read_as_typed(_field: Field, text: str, _schema: Schema) -> str:
    return text


def _read_stripped(_field: Field, text: str, _schema: Schema) -> str:
    return text.strip(SPACES)


_NUMBER = re.compile(r"([+-]?)([0-9]*)(?:[.,]([0-9]+))?")


def _scaled(field: Field, text: str, digits: int) -> int:
    """Return the number times 10^digits; raise ValueProblem if there are more digits than that.

    A zero too many counts as well: "1,000" is a thousand to some people, and one to others.
    """
    match = _NUMBER.fullmatch(text)
    if match is None:
        raise _problem(field, Refusal.FORM)
    sign, whole, fraction = match[1], match[2], match[3] or ""
    if not whole + fraction or len(fraction) > digits:
        raise _problem(field, Refusal.FORM)
    whole = whole.lstrip("0")
    if len(whole) > 12:  # int() refuses thousands of digits: as many above any limit do
        whole = f"1{whole[-12:]}"
    magnitude = int(f"{whole}{fraction:0<{digits}}" or "0")
    return -magnitude if sign == "-" else magnitude


def _read_number(field: Field, text: str, _schema: Schema) -> int:
    number = _plain(text).replace("\N{MINUS SIGN}", "-")
    unit = _plain(field.unit or "")
    if unit and number.endswith(unit):
        before = number.removesuffix(unit)
        # A unit that looks like part of the number counts only when it stands by itself.
        if before != before.rstrip(SPACES) or not re.match(r"[0-9.,+-]", unit):
            number = before.rstrip(SPACES)
    return _scaled(field, number, field.digits or 0)


_YES = frozenset({"yes", "y", "true", "on", "1"})
_NO = frozenset({"no", "n", "false", "off", "0"})


YES, NO = phrase("yes"), phrase("no")


def read_yes_or_no(text: str, yes: str = "yes", no: str = "no") -> bool | None:
    """Return what a person means; None if it is neither.

    yes, no: the words of the person's language, or their first letters. English is always read.
    """
    word = _folded(text)
    for value, known, own in ((True, _YES, _folded(yes)), (False, _NO, _folded(no))):
        if word in known or word in (own, own[:1]):
            return value
    return None


def _read_choice(field: Field, text: str, _schema: Schema) -> str:
    key = _option_key(field, text)
    if key is None:
        raise _problem(field, Refusal.NO_SUCH_OPTION)
    return key


def _option_key(field: Field, text: str) -> str | None:
    """Return the key of the one option that a text stands for: by its key, else by its label."""
    word = _folded(text)
    by_key = [option.key for option in field.options if option.key == word]
    by_label = [option.key for option in field.options if _folded(option.label) == word]
    found = by_key or by_label
    return found[0] if len(found) == 1 else None


def _read_pin(field: Field, text: str, schema: Schema) -> int:
    word = _folded(text)
    if re.fullmatch(r"[0-9]{1,3}", word):
        return int(word)
    found = [pin.number for pin in schema.pins if _folded(pin.name or "") == word]
    if not word or len(found) != 1:
        raise _problem(field, Refusal.PIN_UNFIT)
    return found[0]


def _read_ip(field: Field, text: str, _schema: Schema) -> bytes:
    address = _address(text.strip(SPACES))
    if address is None:
        raise _problem(field, Refusal.FORM)
    return address


def _address(text: str) -> bytes | None:
    """Return the bytes of an address; those of a link with its zone (RFC 4007) are none."""
    try:
        return None if "%" in text else ipaddress.ip_address(text).packed
    except ValueError:
        return None


def _read_time_zone(_field: Field, text: str, _schema: Schema) -> str:
    word = text.strip(SPACES)
    if is_tz_string(word):
        return word
    name = _folded(word.replace(" ", "_"))
    found = [tz for zone, tz in zones().items() if zone.casefold() == name]
    return found[0] if found else word


_MILLISECONDS = MappingProxyType(
    {"d": 86_400_000, "h": 3_600_000, "min": 60_000, "s": 1000, "ms": 1}
)
_UNIT_WORDS = MappingProxyType(
    {
        **{unit: unit for unit in _MILLISECONDS},
        **dict.fromkeys(("day", "days"), "d"),
        **dict.fromkeys(("hr", "hour", "hours"), "h"),
        **dict.fromkeys(("m", "minute", "minutes"), "min"),
        **dict.fromkeys(("sec", "second", "seconds"), "s"),
        **dict.fromkeys(("millisecond", "milliseconds"), "ms"),
    }
)
_QUANTITY = re.compile(rf"([0-9.,]+){_SPACE}*([a-z]+)")
# A comma or point between two quantities is in neither: "1 h,30 min" is no 0.3 min.
_QUANTITIES = re.compile(rf"[.,]?(?:[0-9][0-9.,]*{_SPACE}*[a-z]+{_SPACE}*)+")


def _read_duration(field: Field, text: str, _schema: Schema) -> int:
    words = _folded(text)
    unit = field.unit or "s"
    if re.fullmatch(r"[0-9.,]+", words):
        words += unit
    if not _QUANTITIES.fullmatch(words):
        raise _problem(field, Refusal.FORM)
    hundredths = 0  # of a millisecond
    for number, word in _QUANTITY.findall(words):
        if word not in _UNIT_WORDS:
            raise _problem(field, Refusal.FORM)
        hundredths += _scaled(field, number, 2) * _MILLISECONDS[_UNIT_WORDS[word]]
    value, rest = divmod(hundredths, 100 * _MILLISECONDS[unit])
    if rest:
        raise _problem(field, Refusal.FORM)
    return value


_HEX_BYTES = re.compile(rf"{_SPACE}*(?:0[xX])?(?:[0-9A-Fa-f]{{2}}[{SPACES}:-]*)*")
_BETWEEN_BYTES = re.compile(rf"0[xX]|[{SPACES}:-]")


def _read_hex(field: Field, text: str, _schema: Schema) -> bytes:
    if not _HEX_BYTES.fullmatch(text):
        raise _problem(field, Refusal.FORM)
    return bytes.fromhex(_BETWEEN_BYTES.sub("", text))


_HEX_MARK = "hex:"


def _read_octets(field: Field, text: str, schema: Schema) -> bytes:
    if text.casefold().startswith(_HEX_MARK):
        return _read_hex(field, text[len(_HEX_MARK) :], schema)
    if _LONE_SURROGATE.search(text):
        raise _problem(field, Refusal.CHARACTERS)
    return text.encode()


_READERS: Mapping[Kind, Callable[[Field, str, Schema], Value]] = MappingProxyType(
    {
        Kind.TEXT: _read_as_typed,
        Kind.SECRET: _read_as_typed,
        Kind.INTEGER: _read_number,
        Kind.DECIMAL: _read_number,
        Kind.CHOICE: _read_choice,
        Kind.PIN: _read_pin,
        Kind.NETWORK_NAME: _read_octets,
        Kind.PASSPHRASE: _read_as_typed,
        Kind.HOST: _read_stripped,
        Kind.URL: _read_stripped,
        Kind.IP: _read_ip,
        Kind.PORT: _read_number,
        Kind.TIME_ZONE: _read_time_zone,
        Kind.DURATION: _read_duration,
        Kind.HEX: _read_hex,
        Kind.BLOB: _read_octets,
    }
)


# ---------------------------------------------------------------------------- showing to people


def show(field: Field, value: Value) -> str:
    """Return a value as people read it, and as parse() takes it back.

    IPv6 addresses are in the form of RFC 5952; a network name or blob that is no plain text is in
    hex digits after "hex:". Raises ValueError for a secret: no caller has a reason to show one.
    """
    if field.is_secret:
        raise ValueError("a secret is never shown")
    return _WRITERS[field.kind](field, value)


def _show_text(_field: Field, value: Value) -> str:
    return str(value)


def _show_number(field: Field, value: Value) -> str:
    digits = field.digits or 0
    number = cast(int, value)
    whole, fraction = divmod(abs(number), 10**digits)
    point = f".{fraction:0{digits}}".rstrip("0") if fraction else ""
    unit = f" {field.unit}" if field.unit else ""
    return f"{'-' * (number < 0)}{whole}{point}{unit}"


def _show_yes_no(_field: Field, value: Value) -> str:
    return "yes" if value else "no"


def _show_choice(field: Field, value: Value) -> str:
    labels = {option.key: option.label for option in field.options}
    label = labels.get(cast(str, value), "")
    # A label that two options have, or that is the key of another, would mislead.
    return label if _option_key(field, label) == value else str(value)


def _show_octets(field: Field, value: Value) -> str:
    octets = cast(bytes, value)
    text = octets.decode("utf-8", "replace")
    shown = text if field.kind is not Kind.BLOB else re.sub(r"[\t\r\n]", "", text)
    plain = shown.isprintable() and not text.casefold().startswith(_HEX_MARK)
    return text if plain and text.encode() == octets else f"{_HEX_MARK}{octets.hex()}"


def _show_ip(_field: Field, value: Value) -> str:
    address = ipaddress.ip_address(cast(bytes, value))
    # RFC 5952 section 5; Python writes these so only from 3.13 on.
    mapped = address.ipv4_mapped if isinstance(address, ipaddress.IPv6Address) else None
    return str(address) if mapped is None else f"::ffff:{mapped}"


def _show_duration(field: Field, value: Value) -> str:
    unit = field.unit or "s"
    left = cast(int, value) * _MILLISECONDS[unit]
    words = []
    for name, size in _MILLISECONDS.items():
        count, left = divmod(left, size)
        if count:
            words.append(f"{count} {name}")
    return " ".join(words) or f"0 {unit}"


def _show_hex(_field: Field, value: Value) -> str:
    return cast(bytes, value).hex(" ")


_WRITERS: Mapping[Kind, Callable[[Field, Value], str]] = MappingProxyType(
    {
        Kind.TEXT: _show_text,
        Kind.INTEGER: _show_number,
        Kind.DECIMAL: _show_number,
        Kind.YES_NO: _show_yes_no,
        Kind.CHOICE: _show_choice,
        Kind.PIN: _show_number,
        Kind.NETWORK_NAME: _show_octets,
        Kind.HOST: _show_text,
        Kind.URL: _show_text,
        Kind.IP: _show_ip,
        Kind.PORT: _show_number,
        Kind.TIME_ZONE: _show_text,
        Kind.DURATION: _show_duration,
        Kind.HEX: _show_hex,
        Kind.BLOB: _show_octets,
    }
)


# --------------------------------------------------------------------------- words of a refusal


def refusal_words(field: Field, code: int) -> Phrase:
    """Return what a refusal means for a field, its limits included, to follow the field's label.

    Words such as "must be between 1 min and 1 h"; the code may be one that nobody knows yet.
    """
    if code in (Refusal.FORM, Refusal.WRONG_KIND):
        return _form_words(field)
    # A board may send any code for any field: one that does not suit the kind has no words here.
    is_number = VALUE_TYPES[field.kind] is int
    if code == Refusal.RANGE and is_number:
        least, most = limits(field)
        return phrase(
            "must be between {least} and {most}",
            least=show(field, least),
            most=show(field, most),
        )
    if code == Refusal.LENGTH and not is_number:
        return _length_words(field)
    if code == Refusal.CHARACTERS and not is_number:
        return phrase(_CHARACTER_WORDS.get(field.kind, _CHARACTER_SET_WORDS[field.characters]))
    if code == Refusal.NO_SUCH_OPTION and field.kind is Kind.CHOICE:
        return phrase(
            "must be one of: {options}", options=", ".join(o.label for o in field.options)
        )
    if code == Refusal.PIN_UNFIT and field.kind is Kind.PIN:
        return _pin_words(field)
    if code in _OTHER_WORDS:
        return phrase(_OTHER_WORDS[code])
    return phrase("was refused by the board (code {code})", code=int(code))


def _form_words(field: Field) -> Phrase:
    if field.kind is Kind.DECIMAL:
        return counted(
            "must be a number with at most {count} digit after the decimal point",
            "must be a number with at most {count} digits after the decimal point",
            field.digits or 0,
        )
    if field.kind is Kind.DURATION and field.unit == "s":
        return phrase("must be a length of time in whole seconds, such as 90 s or 1 h 30 min")
    if field.kind is Kind.URL:
        starts = joined(phrase(" or "), (f"{scheme}://" for scheme in field.schemes))
        return phrase(
            "must be an address that begins with {starts}, without a name or password in it",
            starts=starts,
        )
    if field.kind is Kind.CHOICE:
        return refusal_words(field, Refusal.NO_SUCH_OPTION)
    if field.kind is Kind.IP:
        return _length_words(field)
    return phrase(_FORM_WORDS[field.kind])


_FORM_WORDS: Mapping[Kind, str] = MappingProxyType(
    {
        Kind.TEXT: mark("must be text"),
        Kind.SECRET: mark("must be text"),
        Kind.INTEGER: mark("must be a whole number, such as 12"),
        Kind.YES_NO: mark("must be yes or no"),
        Kind.PIN: mark("must be the number of a pin"),
        Kind.NETWORK_NAME: mark("must be text, or pairs of hexadecimal digits after hex:"),
        Kind.PASSPHRASE: mark(
            "must have only 0 to 9 and a to f if it has 64 characters: it is then the key itself"
        ),
        Kind.HOST: mark(
            "must be a host name such as alarm.example.org, or an IPv4 address such as 192.0.2.7"
        ),
        Kind.PORT: mark("must be a whole number, such as 8080"),
        Kind.TIME_ZONE: mark("must be a time zone, such as Europe/London"),
        Kind.DURATION: mark(
            "must be a length of time in whole milliseconds, such as 250 ms or 1.5 s"
        ),
        Kind.HEX: mark("must be pairs of hexadecimal digits, such as a1 b2 c3"),
        Kind.BLOB: mark("must be text, or pairs of hexadecimal digits after hex:"),
    }
)

_FAMILY_WORDS = MappingProxyType(
    {
        1: mark("must be an IPv4 address, such as 192.0.2.7"),
        2: mark("must be an IPv6 address, such as 2001:db8::7"),
        3: mark("must be an IP address, such as 192.0.2.7 or 2001:db8::7"),
    }
)


def _length_words(field: Field) -> Phrase:
    if field.kind is Kind.IP:
        return phrase(_FAMILY_WORDS[field.families])
    if is_key_only(field):
        return phrase("must be the network's key, of 64 hexadecimal digits")
    if field.kind is Kind.PASSPHRASE:
        return phrase("must have 8 to 63 characters, or be the key itself, which has 64")
    least, most = limits(field)
    span = least if least == most else phrase("{least} to {most}", least=least, most=most)
    if field.kind is Kind.HEX:
        return counted(
            "must have {span} byte, each of two hexadecimal digits",
            "must have {span} bytes, each of two hexadecimal digits",
            most,
            span=span,
        )
    if field.kind is Kind.BLOB:
        return counted("must have {span} byte", "must have {span} bytes", most, span=span)
    words = counted("must have {span} character", "must have {span} characters", most, span=span)
    beyond_ascii = field.kind is Kind.NETWORK_NAME or (
        field.kind in (Kind.TEXT, Kind.SECRET) and field.characters is Characters.PRINTABLE
    )
    if not beyond_ascii:
        return words
    return joined(" ", (words, phrase("(letters with accents count as two or more)")))


_CHARACTER_SET_WORDS: Mapping[Characters, str] = MappingProxyType(
    {
        Characters.PRINTABLE: mark("must not have line breaks, tabs or other control characters"),
        Characters.ASCII: mark(
            "must have only letters without accents, digits, spaces and common symbols"
        ),
        Characters.WORD: mark(
            "must have only letters a to z, digits, dots, hyphens and underscores"
        ),
        Characters.DIGITS: mark("must have only the digits 0 to 9"),
    }
)
_CHARACTER_WORDS: Mapping[Kind, str] = MappingProxyType(
    {
        Kind.PASSPHRASE: _CHARACTER_SET_WORDS[Characters.ASCII],
        Kind.NETWORK_NAME: mark("must be text that can be written in UTF-8"),
        Kind.HOST: mark("must have only letters a to z, digits, hyphens and dots"),
        Kind.URL: mark(
            "must have only the characters of a web address; a space, for example, is %20"
        ),
        Kind.TIME_ZONE: mark("must be a time zone, such as Europe/London"),
        Kind.BLOB: mark("must be text that can be written in UTF-8"),
    }
)

_ABILITY_WORDS: Mapping[Ability, str] = MappingProxyType(
    {
        Ability.IN: mark("digital input"),
        Ability.OUT: mark("digital output"),
        Ability.ANALOG: mark("analog input"),
        Ability.PWM: mark("pulse-width output"),
        Ability.PULL_UP: mark("pull-up resistor"),
    }
)


def _pin_words(field: Field) -> Phrase:
    needed = [phrase(words) for ability, words in _ABILITY_WORDS.items() if ability & field.needs]
    if not needed:
        return phrase("must be a pin of this board")
    return phrase(
        "must be a pin of this board with {abilities}", abilities=joined(phrase(" and "), needed)
    )


_OTHER_WORDS: Mapping[int, str] = MappingProxyType(
    {
        Refusal.UNKNOWN_FIELD: mark("is not known to the firmware: read its settings again"),
        Refusal.PIN_TAKEN: mark("must be another pin: the board needs this one for itself"),
        Refusal.MISSING: mark("needs a value"),
        Refusal.PIN_CONFLICT: mark("must be another pin: two settings have the same one"),
        Refusal.PARTNER: mark(
            "needs its partner: give the network name and the passphrase together"
        ),
        Refusal.STORAGE: mark("could not be stored: what was set before is still in force"),
    }
)
