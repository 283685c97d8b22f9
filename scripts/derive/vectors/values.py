# SPDX-License-Identifier: MIT
"""Values that a board accepts or refuses (shared/protocol.md, clause 9), written by hand.

A case is: what it shows, the clause, where the expected result comes from, the field of
shared/vectors/board.toml, the value, and None (accepted) or the name of the refusal. No result
here was taken from an implementation of this project.
"""

from __future__ import annotations

from typing import NamedTuple

from scripts.derive.vectors import encoding
from scripts.derive.vectors.schemas import board_schema_id

Wire = int | bool | str | bytes | None

PAGE = "protocol.md, by hand"


class Case(NamedTuple):
    """One value for one field."""

    shows: str
    clause: str
    source: str
    field: str
    value: Wire
    refused: str | None = None


_WPA = "IEEE 802.11-2016 J.4.2 (IEEE 802.11i H.4)"
WPA_EXAMPLES = (
    ("password", "IEEE", "f42c6fc52df0ebef9ebb4b90b38a5f902e83fe1b135a70e23aed762e9710a12e"),
    (
        "ThisIsAPassword",
        "ThisIsASSID",
        "0dc0d6eb90555ed6419756b9a15ec3e3209b63df707dd508d14581f8982721af",
    ),
    ("a" * 32, "Z" * 32, "becb93866bb8c3832cb777c2f559807c8c59afcb6eae734885001300a981cc62"),
)
"""Passphrase, network name, key of the standard's examples; from memory, confirmed by PBKDF2."""

_WPA_KEYS = tuple(key for _, _, key in WPA_EXAMPLES)
_RFC1123 = "RFC 1123 clause 2.1, RFC 952"
_RFC3986 = "RFC 3986"
_TZDATA = "RFC 9636 clause 3.3; footer of this zone in the IANA database, release 2026f"
_RFC4291 = "RFC 4291 clause 2.2, RFC 791"
_UTF8 = "RFC 3629"
_SHEET = "RP2040 data sheet: GPIO 26 to 29 are the analog inputs; here the pins of board.toml"

CASES: list[Case] = [
    # ---- text
    Case("shortest", "9.1", PAGE, "words.text", "ab"),
    Case("one byte too short", "9.1", PAGE, "words.text", "a", "length"),
    Case("empty is a value of length 0, not cleared", "9.1", PAGE, "words.text", "", "length"),
    Case("longest", "9.1", PAGE, "words.text", "abcdefghijkl"),
    Case("one byte too long", "9.1", PAGE, "words.text", "abcdefghijklm", "length"),
    Case("six characters of two bytes are twelve bytes", "9.1", _UTF8, "words.text", "éééééé"),
    Case("seven characters of two bytes", "9.1", _UTF8, "words.text", "ééééééé", "length"),
    Case("three characters of four bytes", "9.1", _UTF8, "words.text", "\U0001f514" * 3),
    Case("leading and trailing space stay", "9.1", PAGE, "words.text", " ab "),
    Case("line feed is a control", "9.1", PAGE, "words.text", "a\nb", "characters"),
    Case("NUL is a control", "9.1", PAGE, "words.text", "a\0b", "characters"),
    Case("escape is a control", "9.1", PAGE, "words.text", "a\x1b[0m", "characters"),
    Case("DEL is a control", "9.1", PAGE, "words.text", "a\x7f", "characters"),
    Case("U+0080, first of C1", "9.1", PAGE, "words.text", "a\x80", "characters"),
    Case("U+009F, last of C1", "9.1", PAGE, "words.text", "a\x9f", "characters"),
    Case("U+00A0, first after C1", "9.1", PAGE, "words.text", "a\xa0"),
    Case("length is judged before characters", "9.1", PAGE, "words.text", "\n", "length"),
    Case("number for a text", "9.1", PAGE, "words.text", 12, "wrong-kind"),
    Case("byte string for a text", "9.1", PAGE, "words.text", b"ab", "wrong-kind"),
    Case("true for a text", "9.1", PAGE, "words.text", True, "wrong-kind"),
    Case("null clears", "6.4", PAGE, "words.text", None),
    Case("longest text of all", "11.4", PAGE, "words.long-text", "x" * 255),
    # ---- character sets
    Case("first and last of ascii", "9.1", PAGE, "words.ascii", " ~"),
    Case("beyond ascii", "9.1", PAGE, "words.ascii", "é", "characters"),
    Case("below ascii", "9.1", PAGE, "words.ascii", "\x1f", "characters"),
    Case("every sort of word character", "9.1", PAGE, "words.word", "aZ09._-"),
    Case("space in a word", "9.1", PAGE, "words.word", "a b", "characters"),
    Case("slash in a word", "9.1", PAGE, "words.word", "a/b", "characters"),
    Case("colon, one above 9", "9.1", PAGE, "words.word", "a:b", "characters"),
    Case("at sign, one below A", "9.1", PAGE, "words.word", "a@b", "characters"),
    Case("bracket, one above Z", "9.1", PAGE, "words.word", "a[b", "characters"),
    Case("back quote, one below a", "9.1", PAGE, "words.word", "a`b", "characters"),
    Case("brace, one above z", "9.1", PAGE, "words.word", "a{b", "characters"),
    Case("digits", "9.1", PAGE, "words.digits", "0192"),
    Case("letter among digits", "9.1", PAGE, "words.digits", "01a2", "characters"),
    Case("full-width digit", "9.1", PAGE, "words.digits", "0\uff11", "characters"),
    # ---- secret
    Case("shortest secret", "9.1", PAGE, "words.secret", "12345678"),
    Case("secret too short", "9.1", PAGE, "words.secret", "1234567", "length"),
    Case("secret too long", "9.1", PAGE, "words.secret", "1234567890123456789012345", "length"),
    Case("secret with a foreign character", "9.1", PAGE, "words.secret", "1234567é", "characters"),
    # ---- integer
    Case("smallest", "9.1", PAGE, "numbers.integer", -10),
    Case("below the smallest", "9.1", PAGE, "numbers.integer", -11, "range"),
    Case("zero", "9.1", PAGE, "numbers.integer", 0),
    Case("largest", "9.1", PAGE, "numbers.integer", 100),
    Case("above the largest", "9.1", PAGE, "numbers.integer", 101, "range"),
    Case("text for a number", "9.1", PAGE, "numbers.integer", "7", "wrong-kind"),
    Case("false for a number", "9.1", PAGE, "numbers.integer", False, "wrong-kind"),
    Case("largest where none is stated", "8.1", PAGE, "numbers.free", 2147483647),
    Case(
        "above the largest where none is stated", "8.1", PAGE, "numbers.free", 2147483648, "range"
    ),
    Case("largest integer of the profile", "3", PAGE, "numbers.free", 4294967295, "range"),
    Case("smallest where none is stated", "8.1", PAGE, "numbers.free", -2147483648),
    # ---- decimal
    Case("40.0 °C in tenths", "9.1", PAGE, "numbers.decimal", 400),
    Case("40.1 °C", "9.1", PAGE, "numbers.decimal", 401, "range"),
    Case("-5.0 °C", "9.1", PAGE, "numbers.decimal", -50),
    Case("-5.1 °C", "9.1", PAGE, "numbers.decimal", -51, "range"),
    Case("text for a decimal", "9.1", PAGE, "numbers.decimal", "4.0", "wrong-kind"),
    # ---- yes-no
    Case("yes", "9.1", PAGE, "numbers.yes", True),
    Case("no", "9.1", PAGE, "numbers.yes", False),
    Case("one is not yes", "9.1", PAGE, "numbers.yes", 1, "wrong-kind"),
    # ---- choice
    Case("first option", "9.1", PAGE, "numbers.choice", "slow"),
    Case("last option", "9.1", PAGE, "numbers.choice", "off"),
    Case("label instead of key", "9.1", PAGE, "numbers.choice", "Slow", "no-such-option"),
    Case("start of an option", "9.1", PAGE, "numbers.choice", "slo", "no-such-option"),
    Case("more than an option", "9.1", PAGE, "numbers.choice", "slower", "no-such-option"),
    Case("empty option", "9.1", PAGE, "numbers.choice", "", "no-such-option"),
    Case("NUL after an option", "9.1", PAGE, "numbers.choice", "slow\0", "no-such-option"),
    Case("index instead of key", "9.1", PAGE, "numbers.choice", 0, "wrong-kind"),
    # ---- duration
    Case("shortest duration", "9.1", PAGE, "numbers.duration", 1),
    Case("an hour in seconds", "9.1", PAGE, "numbers.duration", 3600),
    Case("no duration", "9.1", PAGE, "numbers.duration", 0, "range"),
    Case("negative duration", "9.1", PAGE, "numbers.duration", -1, "range"),
    # ---- pin
    Case("output on a pin that can", "9.1", _SHEET, "pins.out", 4),
    Case("output on an analog pin", "9.1", _SHEET, "pins.out", 26),
    Case("analog on an analog pin", "9.1", _SHEET, "pins.analog", 28),
    Case("analog on a digital pin", "9.1", _SHEET, "pins.analog", 5, "pin-unfit"),
    Case("no such pin", "9.1", PAGE, "pins.out", 6, "pin-unfit"),
    Case("no such pin, negative", "9.1", PAGE, "pins.out", -1, "pin-unfit"),
    Case("pin number beyond a byte is not cut", "9.1", PAGE, "pins.out", 260, "pin-unfit"),
    Case("taken pin", "9.1", PAGE, "pins.out", 0, "pin-taken"),
    Case("taken is judged before abilities", "9.1", PAGE, "pins.analog", 1, "pin-taken"),
    Case("text for a pin", "9.1", PAGE, "pins.out", "4", "wrong-kind"),
    # ---- network name
    Case("one octet", "9.2", "IEEE 802.11-2016 9.4.2.2", "net.name", b"x"),
    Case("32 octets", "9.2", "IEEE 802.11-2016 9.4.2.2", "net.name", b"Z" * 32),
    Case("33 octets", "9.2", "IEEE 802.11-2016 9.4.2.2", "net.name", b"Z" * 33, "length"),
    Case("no octet", "9.2", PAGE, "net.name", b"", "length"),
    Case("octets of any value", "9.2", "IEEE 802.11-2016 9.4.2.2", "net.name", b"\x00\xff\n"),
    Case("text for a network name", "9.1", PAGE, "net.name", "orchard", "wrong-kind"),
    # ---- passphrase
    Case("passphrase of the first example", "9.2", _WPA, "net.pass", "password"),
    Case("passphrase of the second example", "9.2", _WPA, "net.pass", "ThisIsAPassword"),
    Case("passphrase of the third example", "9.2", _WPA, "net.pass", "a" * 32),
    *(
        Case(f"key {n} of the examples", "9.2", _WPA, "net.pass", k)
        for n, k in enumerate(_WPA_KEYS, 1)
    ),
    Case("key in capitals", "9.2", _WPA, "net.pass", _WPA_KEYS[0].upper()),
    Case("7 characters", "9.2", _WPA, "net.pass", "passwor", "length"),
    Case("63 characters", "9.2", _WPA, "net.pass", "p" * 63),
    Case("64 characters that are no key", "9.2", _WPA, "net.pass", "f" * 63 + "g", "form"),
    Case("64 bytes, one a tab", "9.2", PAGE, "net.pass", "f" * 63 + "\t", "form"),
    Case("64 bytes, beyond ASCII", "9.2", PAGE, "net.pass", "f" * 62 + "ö", "form"),
    Case("65 characters", "9.2", _WPA, "net.pass", "f" * 65, "length"),
    Case("first and last admitted character", "9.2", _WPA, "net.pass", " ~~~~~~ "),
    Case("tab", "9.2", _WPA, "net.pass", "pass\tword", "characters"),
    Case("letter beyond ASCII", "9.2", _WPA, "net.pass", "passwört", "characters"),
    Case("DEL", "9.2", _WPA, "net.pass", "password\x7f", "characters"),
    Case("byte string for a passphrase", "9.1", PAGE, "net.pass", b"password", "wrong-kind"),
    Case("null clears: an open network", "9.2", PAGE, "net.pass", None),
    # ---- host
    Case("one label", "9.3", _RFC1123, "names.host", "localhost"),
    Case("several labels", "9.3", _RFC1123, "names.host", "weather.example.net"),
    Case("a digit may lead", "9.3", _RFC1123, "names.host", "3com.example"),
    Case("one letter", "9.3", _RFC1123, "names.host", "a"),
    Case("capitals", "9.3", _RFC1123, "names.host", "WEATHER.Example"),
    Case("hyphen inside", "9.3", _RFC1123, "names.host", "a-b.c--d"),
    Case("hyphen leads", "9.3", _RFC1123, "names.host", "-a.example", "form"),
    Case("hyphen ends a label", "9.3", _RFC1123, "names.host", "a-.example", "form"),
    Case("hyphen ends", "9.3", _RFC1123, "names.host", "example-", "form"),
    Case("underscore", "9.3", _RFC1123, "names.host", "a_b.example", "characters"),
    Case("space", "9.3", _RFC1123, "names.host", "a b", "characters"),
    Case("letter beyond ASCII", "9.3", _RFC1123, "names.host", "höst.example", "characters"),
    Case("label of 63", "9.3", _RFC1123, "names.host", "a" * 63 + ".example"),
    Case("label of 64", "9.3", _RFC1123, "names.host", "a" * 64 + ".example", "form"),
    Case("253 bytes", "9.3", _RFC1123, "names.host", ("a" * 49 + ".") * 5 + "abc"),
    Case("254 bytes", "9.3", _RFC1123, "names.host", ("a" * 49 + ".") * 5 + "abcd", "length"),
    Case("empty label", "9.3", _RFC1123, "names.host", "a..b", "form"),
    Case("dot leads", "9.3", _RFC1123, "names.host", ".a", "form"),
    Case("dot ends", "9.3", _RFC1123, "names.host", "a.", "form"),
    Case("empty", "9.3", _RFC1123, "names.host", "", "length"),
    Case("dotted decimal", "9.3", _RFC1123, "names.host", "192.0.2.7"),
    Case("largest dotted decimal", "9.3", _RFC1123, "names.host", "255.255.255.255"),
    Case("number above 255", "9.3", _RFC1123, "names.host", "192.0.2.256", "form"),
    Case("three numbers", "9.3", _RFC1123, "names.host", "192.0.2", "form"),
    Case("five numbers", "9.3", _RFC1123, "names.host", "192.0.2.7.1", "form"),
    Case("leading zero", "9.3", PAGE, "names.host", "192.0.2.07", "form"),
    Case("all digits at the end of a name", "9.3", _RFC1123, "names.host", "example.123", "form"),
    Case("a number alone", "9.3", _RFC1123, "names.host", "12345", "form"),
    Case("digits and letters at the end", "9.3", _RFC1123, "names.host", "example.1a"),
    Case(
        "IPv6 address is no host name", "9.3", _RFC1123, "names.host", "2001:db8::1", "characters"
    ),
    # ---- url
    Case("host alone", "9.3", _RFC3986, "names.url", "https://example.net"),
    Case("path", "9.3", _RFC3986, "names.url", "http://www.ietf.org/rfc/rfc2396.txt"),
    Case(
        "query and fragment",
        "9.3",
        _RFC3986,
        "names.url",
        "https://example.com:8042/over/there?name=ferret#nose",
    ),
    Case("query right after the host", "9.3", _RFC3986, "names.url", "https://example.net?q"),
    Case("fragment right after the host", "9.3", _RFC3986, "names.url", "https://example.net#f"),
    Case("largest port", "9.3", PAGE, "names.url", "https://example.net:65535/"),
    Case("port above the largest", "9.3", PAGE, "names.url", "https://example.net:65536/", "form"),
    Case("port 0", "9.3", PAGE, "names.url", "https://example.net:0/", "form"),
    Case("leading zeros of a port", "9.3", PAGE, "names.url", "https://example.net:00080/"),
    Case("leading zero of a host's number", "9.3", PAGE, "names.url", "http://192.0.2.07/", "form"),
    Case("colon without port", "9.3", PAGE, "names.url", "https://example.net:/", "form"),
    Case("port with six digits", "9.3", PAGE, "names.url", "https://example.net:000080/", "form"),
    Case("letters for a port", "9.3", _RFC3986, "names.url", "https://example.net:http/", "form"),
    Case("percent-encoded", "9.3", _RFC3986, "names.url", "https://example.net/a%20b"),
    Case("percent with one digit", "9.3", _RFC3986, "names.url", "https://example.net/a%2", "form"),
    Case(
        "percent with a letter beyond F",
        "9.3",
        _RFC3986,
        "names.url",
        "https://example.net/%2g",
        "form",
    ),
    Case(
        "every sub-delimiter in a path",
        "9.3",
        _RFC3986,
        "names.url",
        "https://example.net/!$&'()*+,;=:@",
    ),
    Case("name and password", "9.3", PAGE, "names.url", "https://me:pw@example.net/", "form"),
    Case("at sign in a path", "9.3", _RFC3986, "names.url", "https://example.net/@me"),
    Case("other scheme", "9.3", PAGE, "names.url", "ftp://ftp.is.co.za/rfc/rfc1808.txt", "form"),
    Case("no scheme", "9.3", PAGE, "names.url", "example.net/path", "form"),
    Case("scheme in capitals", "9.3", PAGE, "names.url", "HTTPS://example.net", "form"),
    Case("scheme that begins like one", "9.3", PAGE, "names.url", "httpsx://example.net", "form"),
    Case("no authority", "9.3", PAGE, "names.url", "https:///path", "form"),
    Case("no slashes", "9.3", PAGE, "names.url", "https:example.net", "form"),
    Case("bad host", "9.3", _RFC1123, "names.url", "https://-a/", "form"),
    Case("underscore in the host", "9.3", _RFC1123, "names.url", "https://a_b/", "form"),
    Case("IPv4 host", "9.3", _RFC3986, "names.url", "http://192.0.2.7:8080/x"),
    Case("IP literal", "9.3", PAGE, "names.url", "http://[2001:db8::7]/", "characters"),
    Case("space", "9.3", _RFC3986, "names.url", "https://example.net/a b", "characters"),
    Case("quote", "9.3", _RFC3986, "names.url", 'https://example.net/"', "characters"),
    Case("backslash", "9.3", _RFC3986, "names.url", "https://example.net\\x", "characters"),
    Case("two fragments", "9.3", _RFC3986, "names.url", "https://example.net/#a#b", "form"),
    Case("255 bytes", "9.3", PAGE, "names.url", "https://example.net/" + "p" * 235),
    # 256 bytes of BODY would still fit: what refuses is the limit of the kind
    Case("256 bytes", "9.3", PAGE, "names.url", "https://example.net/" + "p" * 236, "length"),
    # ---- ip
    Case("IPv4", "9.1", _RFC4291, "names.ip", bytes([192, 0, 2, 7])),
    Case("IPv6", "9.1", _RFC4291, "names.ip", bytes.fromhex("20010db8000000000000000000000001")),
    Case("five bytes", "9.1", PAGE, "names.ip", bytes(5), "length"),
    Case("no byte", "9.1", PAGE, "names.ip", b"", "length"),
    Case("IPv6 where IPv4 is wanted", "9.1", PAGE, "names.ip4", bytes(16), "length"),
    Case("IPv4 where it is wanted", "9.1", PAGE, "names.ip4", bytes(4)),
    Case("text for an address", "9.1", PAGE, "names.ip", "192.0.2.7", "wrong-kind"),
    # ---- port
    Case("smallest port", "9.1", "RFC 9293 clause 3.1: 16 bits; 0 is reserved", "names.port", 1),
    Case("largest port", "9.1", "RFC 9293 clause 3.1: 16 bits", "names.port", 65535),
    Case("port 0", "9.1", PAGE, "names.port", 0, "range"),
    Case("port 65536", "9.1", "RFC 9293 clause 3.1: 16 bits", "names.port", 65536, "range"),
    # ---- time zone
    Case("Europe/London", "9.4", _TZDATA, "names.zone", "GMT0BST,M3.5.0/1,M10.5.0"),
    Case(
        "Europe/Dublin, daylight saving reversed",
        "9.4",
        _TZDATA,
        "names.zone",
        "IST-1GMT0,M10.5.0,M3.5.0/1",
    ),
    Case("America/New_York", "9.4", _TZDATA, "names.zone", "EST5EDT,M3.2.0,M11.1.0"),
    Case("Asia/Kathmandu", "9.4", _TZDATA, "names.zone", "<+0545>-5:45"),
    Case(
        "Australia/Lord_Howe", "9.4", _TZDATA, "names.zone", "<+1030>-10:30<+11>-11,M10.1.0,M4.1.0"
    ),
    Case(
        "America/Nuuk, hour below 0",
        "9.4",
        _TZDATA,
        "names.zone",
        "<-02>2<-01>,M3.5.0/-1,M10.5.0/0",
    ),
    Case("UTC", "9.4", _TZDATA, "names.zone", "UTC0"),
    Case("days of the year", "9.4", "POSIX.1-2017 8.3", "names.zone", "AAA3BBB,J1,J365/2"),
    Case("days of the year from 0", "9.4", "POSIX.1-2017 8.3", "names.zone", "AAA3BBB,0,365"),
    Case(
        "hours, minutes, seconds",
        "9.4",
        "POSIX.1-2017 8.3",
        "names.zone",
        "AAA+3:59:59BBB-2:00,M1.1.0,M12.5.6/1:02:03",
    ),
    Case(
        "hour 167", "9.4", "RFC 9636 clause 3.3.2", "names.zone", "AAA3BBB,M3.2.0/167,M11.1.0/-167"
    ),
    Case(
        "hour 168",
        "9.4",
        "RFC 9636 clause 3.3.2",
        "names.zone",
        "AAA3BBB,M3.2.0/168,M11.1.0",
        "form",
    ),
    Case("offset of 24 hours", "9.4", "POSIX.1-2017 8.3", "names.zone", "AAA24"),
    Case("offset of nearly 25 hours", "9.4", PAGE, "names.zone", "AAA24:59:59"),
    Case("offset of 25 hours", "9.4", "POSIX.1-2017 8.3", "names.zone", "AAA25", "form"),
    Case("minute 60", "9.4", "POSIX.1-2017 8.3", "names.zone", "AAA3:60", "form"),
    Case("name of two letters", "9.4", "POSIX.1-2017 8.3", "names.zone", "AA3BB", "form"),
    Case(
        "quoted name of two characters", "9.4", "POSIX.1-2017 8.3", "names.zone", "<+1>-1", "form"
    ),
    Case("quoted name not closed", "9.4", "POSIX.1-2017 8.3", "names.zone", "<+01-1", "form"),
    Case("digit in a plain name", "9.4", "POSIX.1-2017 8.3", "names.zone", "A1A3", "form"),
    Case("no offset", "9.4", "POSIX.1-2017 8.3", "names.zone", "AAAA", "form"),
    Case("IANA name", "9.4", PAGE, "names.zone", "Europe/London", "form"),
    Case("second name without rules", "9.4", PAGE, "names.zone", "EST5EDT", "form"),
    Case("one rule", "9.4", "POSIX.1-2017 8.3", "names.zone", "EST5EDT,M3.2.0", "form"),
    Case(
        "three rules",
        "9.4",
        "POSIX.1-2017 8.3",
        "names.zone",
        "EST5EDT,M3.2.0,M11.1.0,M1.1.0",
        "form",
    ),
    Case("leading zero of a month", "9.4", PAGE, "names.zone", "EST5EDT,M03.2.0,M11.1.0"),
    Case("leading zeros of days", "9.4", PAGE, "names.zone", "EST5EDT,J060,007"),
    Case("a day of four digits", "9.4", PAGE, "names.zone", "EST5EDT,J0060,J300", "form"),
    Case("a week of two digits", "9.4", PAGE, "names.zone", "EST5EDT,M3.02.0,M11.1.0", "form"),
    Case("small m", "9.4", PAGE, "names.zone", "EST5EDT,m3.2.0,M11.1.0", "form"),
    Case("names in small letters", "9.4", "POSIX.1-2017 8.3", "names.zone", "est5"),
    Case("minute 60 of a rule", "9.4", PAGE, "names.zone", "EST5EDT,M3.2.0/2:60,M11.1.0", "form"),
    Case("month 13", "9.4", "POSIX.1-2017 8.3", "names.zone", "EST5EDT,M13.2.0,M11.1.0", "form"),
    Case("month 0", "9.4", "POSIX.1-2017 8.3", "names.zone", "EST5EDT,M0.2.0,M11.1.0", "form"),
    Case("week 6", "9.4", "POSIX.1-2017 8.3", "names.zone", "EST5EDT,M3.6.0,M11.1.0", "form"),
    Case("day 7", "9.4", "POSIX.1-2017 8.3", "names.zone", "EST5EDT,M3.2.7,M11.1.0", "form"),
    Case("J0", "9.4", "POSIX.1-2017 8.3", "names.zone", "EST5EDT,J0,M11.1.0", "form"),
    Case("J366", "9.4", "POSIX.1-2017 8.3", "names.zone", "EST5EDT,J366,M11.1.0", "form"),
    Case("day 366", "9.4", "POSIX.1-2017 8.3", "names.zone", "EST5EDT,366,M11.1.0", "form"),
    Case("something after the end", "9.4", PAGE, "names.zone", "UTC0x", "form"),
    Case("leading colon", "9.4", PAGE, "names.zone", ":UTC0", "form"),
    Case("space", "9.4", PAGE, "names.zone", "UTC 0", "characters"),
    Case("empty", "9.4", PAGE, "names.zone", "", "length"),
    Case("63 bytes", "9.4", PAGE, "names.zone", "<" + "A" * 60 + ">0"),
    Case("64 bytes", "9.4", PAGE, "names.zone", "<" + "A" * 61 + ">0", "length"),
    # ---- hex, blob
    Case("shortest", "9.1", PAGE, "octets.hex", bytes(4)),
    Case("longest", "9.1", PAGE, "octets.hex", bytes(range(8))),
    Case("too short", "9.1", PAGE, "octets.hex", bytes(3), "length"),
    Case("too long", "9.1", PAGE, "octets.hex", bytes(9), "length"),
    Case("text for bytes", "9.1", PAGE, "octets.hex", "00000000", "wrong-kind"),
    Case("secret bytes", "9.1", PAGE, "octets.key", bytes(range(16))),
    Case("secret bytes too short", "9.1", PAGE, "octets.key", bytes(15), "length"),
    Case("a short blob", "9.1", PAGE, "octets.cert", b"-----BEGIN"),
    Case("an empty blob", "9.1", PAGE, "octets.cert", b"", "length"),
    # ---- fields
    Case("no such field", "6.4", PAGE, "words.nothing", "x", "unknown-field"),
    Case("section alone", "6.4", PAGE, "words", "x", "unknown-field"),
    Case("a field more than spelt", "6.4", PAGE, "words.texts", "xx", "unknown-field"),
    Case("first instance", "8.3", PAGE, "probe.1.label", "north"),
    Case("last instance", "8.3", PAGE, "probe.3.label", "south"),
    Case("instance beyond the last", "8.3", PAGE, "probe.4.label", "east", "unknown-field"),
    Case("instance 0", "8.3", PAGE, "probe.0.label", "west", "unknown-field"),
    Case("repeating section without instance", "8.2", PAGE, "probe.label", "up", "unknown-field"),
    Case("hidden field takes a value", "9.5", PAGE, "siren.pulse", 500),
]


def document() -> bytes:
    """The file shared/vectors/values.json."""
    return encoding.document(
        "Values that a board accepts or refuses",
        "values.py",
        [
            {
                "id": encoding.slug(case.field, case.shows),
                "shows": case.shows,
                "clause": case.clause,
                "source": case.source,
                "field": case.field,
                "bytes": encoding.item(case.value).hex(),
                "value": encoding.diagnostic(case.value),
                "expected": case.refused or "accepted",
            }
            for case in CASES
        ],
        board={"schema": board_schema_id("board.toml")},
    )
