# SPDX-License-Identifier: MIT
"""The line: which bytes are a frame, which are damage, and what of the rest may be shown."""

from __future__ import annotations

import itertools
import random
import re
from dataclasses import dataclass

import pytest
from crc import Calculator, Configuration
from hypothesis import given
from hypothesis import strategies as st

from provision.contract.line import (
    MAX_BODY,
    MIN_BODY_LIMIT,
    Damaged,
    Frame,
    LineEvent,
    LineFault,
    LineReceiver,
    LogText,
    clean_log,
    crc32c,
    encode_line,
)

# The package crc, which shares no code with ours, with the parameters of protocol.md clause 2.1.
REFERENCE = Calculator(
    Configuration(32, 0x1EDC6F41, 0xFFFFFFFF, 0xFFFFFFFF, reverse_input=True, reverse_output=True)
)

# The hello request with id 7, from clause 2.1 of shared/protocol.md.
HELLO_ITEM = bytes.fromhex("84010107a0")
HELLO_LINE = b"\n~hAEBB6AKJIDNK@E\n"


def line_with(body: bytes) -> bytes:
    """Return a line with a body, right or wrong, and the CHECK that the reference gives for it."""
    digits = f"{REFERENCE.checksum(body):08x}"
    return b"\n~" + body + bytes(0x40 + int(digit, 16) for digit in digits) + b"\n"


@dataclass(frozen=True)
class Arrival:
    """One way for a line to reach a receiver: between which bytes, and in pieces of which size."""

    name: str
    before: bytes = b""
    seen_before: tuple[LineEvent, ...] = ()
    after: bytes = b""
    seen_after: tuple[LineEvent, ...] = ()
    piece: int | None = None

    def events(self, line: bytes, max_body: int = MAX_BODY) -> list[LineEvent]:
        """Return what the line yields, having seen that its surroundings yield what is theirs."""
        data = self.before + line + self.after
        receiver = LineReceiver(max_body)
        size = self.piece or len(data)
        events = [
            e for at in range(0, len(data), size) for e in receiver.feed(data[at : at + size])
        ]
        first, last = len(self.seen_before), len(events) - len(self.seen_after)
        assert tuple(events[:first]) == self.seen_before
        assert tuple(events[last:]) == self.seen_after
        return events[first:last]


RUBBISH = b"\x00\xf8\x80rst:0x1 \xff~~\xc0boot"  # no line end: the frame's own LF has to end it
NOISE = (LogText("???rst:0x1 ?[frame removed]"),)
LATER = b"[5.010] siren armed\r\n~hAEB"
LOG = (LogText("[5.010] siren armed"),)

every_arrival = pytest.mark.parametrize(
    "arrival",
    [
        Arrival("whole"),
        Arrival("byte by byte", piece=1),
        Arrival("after noise", before=RUBBISH, seen_before=NOISE),
        Arrival("before other bytes", after=LATER, seen_after=LOG),
        Arrival("in the middle, byte by byte", RUBBISH, NOISE, LATER, LOG, piece=1),
        Arrival("in the middle, by sevens", RUBBISH, NOISE, LATER, LOG, piece=7),
    ],
    ids=lambda arrival: arrival.name,
)


# CRC-32C


@pytest.mark.parametrize(
    ("data", "sent"),
    [
        (bytes(32), "aa36918a"),
        (b"\xff" * 32, "43aba862"),
        (bytes(range(32)), "4e79dd46"),
        (bytes(range(31, -1, -1)), "5cdb3f11"),
        (
            bytes.fromhex(
                "01c00000000000000000000000000000140000000000040000000014000000182800000000000000"
                "0200000000000000"
            ),
            "563a96d9",
        ),
    ],
    ids=["zeros", "ones", "incrementing", "decrementing", "SCSI read command"],
)
def test_crc_agrees_with_rfc_3720(data: bytes, sent: str) -> None:
    """RFC 3720 appendix B.4: the five examples, which it prints as the bytes on its wire."""
    assert crc32c(data).to_bytes(4, "little").hex() == sent


def test_crc_has_the_catalogues_check_value() -> None:
    """The reveng catalogue of CRC algorithms, CRC-32/ISCSI: check=0xe3069283 of "123456789"."""
    assert crc32c(b"123456789") == 0xE3069283


@given(st.binary(max_size=800))
def test_crc_agrees_with_an_independent_implementation(data: bytes) -> None:
    """The reference computes the same over any input."""
    assert crc32c(data) == REFERENCE.checksum(data)


# Frames


@every_arrival
def test_example_of_the_protocol_page(arrival: Arrival) -> None:
    """The whole example of shared/protocol.md clause 2.1 is sent and received as it stands."""
    assert encode_line(HELLO_ITEM) == HELLO_LINE
    assert arrival.events(HELLO_LINE) == [Frame(HELLO_ITEM, len(HELLO_LINE))]


@every_arrival
@pytest.mark.parametrize(
    ("octets", "base64"),
    [
        (b"f", "Zg=="),
        (b"fo", "Zm8="),
        (b"foo", "Zm9v"),
        (b"foob", "Zm9vYg=="),
        (b"fooba", "Zm9vYmE="),
        (b"foobar", "Zm9vYmFy"),
    ],
)
def test_body_is_base64_of_rfc_4648(arrival: Arrival, octets: bytes, base64: str) -> None:
    """RFC 4648 clause 10: each vector but the empty one, its padding left away."""
    line = line_with(base64.rstrip("=").encode())
    assert encode_line(octets) == line
    assert arrival.events(line) == [Frame(octets, len(line))]


def test_body_uses_the_url_safe_alphabet() -> None:
    """RFC 4648 table 2: the values 62 and 63 are ``-`` and ``_``."""
    assert encode_line(b"\xfb\xff\xbf") == line_with(b"-_-_")


@every_arrival
@pytest.mark.parametrize("end", [b"\n", b"\r", b"\r\n", b"\r\r\n"])
def test_every_line_end_is_accepted(arrival: Arrival, end: bytes) -> None:
    """LF, CR, CRLF, and what a console makes of CRLF, all end a line; the size counts one LF."""
    line = end + HELLO_LINE.strip() + end
    assert arrival.events(line) == [Frame(HELLO_ITEM, len(HELLO_LINE))]


@every_arrival
@pytest.mark.parametrize(
    ("body", "why"),
    [
        (b"Zg==", "padding"),
        (b"Zm8=", "padding"),
        (b"Zh", "four pad bits that are not zero"),
        (b"Zm9", "two pad bits that are not zero"),
        (b"Z", "a length of 1 modulo 4"),
        (b"Zm9vY", "a length of 1 modulo 4"),
        (b"+/+/", "the alphabet of RFC 4648 table 1"),
        (b"Zm9v Zm9v", "a blank"),
        (b"Zm9v~Zm9v", "a second ~"),
        (b"Zm9v\x07Zm9v", "a control byte"),
        (b"Zm9v\xc3\xa9Zm9v", "bytes outside ASCII"),
    ],
)
def test_body_has_one_spelling_only(arrival: Arrival, body: bytes, why: str) -> None:
    """Whatever is no base64url with zero pad bits is damage, though its CHECK matches."""
    (event,) = arrival.events(line_with(body))
    assert isinstance(event, Damaged), why
    assert "base64url" in event.reason


@every_arrival
@pytest.mark.parametrize("line", [b"\n~\n", b"\n~@\n", b"\n~NC@FIBHC\n", b"\n~@@@@@@@@\n"])
def test_a_frame_has_a_body(arrival: Arrival, line: bytes) -> None:
    """Fewer than ten characters are no frame, even with the CHECK 0 that nothing has."""
    assert arrival.events(line) == [Damaged(LineFault.TOO_SHORT)]


@every_arrival
@pytest.mark.parametrize("limit", [MIN_BODY_LIMIT, 340, MAX_BODY])
def test_a_frame_of_the_longest_body_is_received_and_no_longer_one(
    arrival: Arrival, limit: int
) -> None:
    """A receiver takes a body up to its limit; one character more is reported once, as damage."""
    longest, longer = line_with(b"A" * limit), line_with(b"A" * (limit + 1))
    assert arrival.events(longest, limit) == [Frame(bytes(limit * 3 // 4), limit + 11)]
    assert arrival.events(longer, limit) == [Damaged(LineFault.TOO_LONG)]


@every_arrival
def test_a_frame_without_end_is_dropped_up_to_the_next_line_end(arrival: Arrival) -> None:
    """A line with ~ that runs on for 100,000 bytes is one damage, and the next line counts."""
    events = arrival.events(b"\n~" + b"hAEB" * 25_000 + HELLO_LINE)
    assert events == [
        Damaged(LineFault.TOO_LONG),
        Frame(HELLO_ITEM, len(HELLO_LINE)),
    ]


@every_arrival
def test_log_output_that_cuts_into_a_frame_damages_only_that_frame(arrival: Arrival) -> None:
    """Another task's line inside a frame costs that frame; its second half shows as a mark."""
    line = encode_line(bytes(40))
    broken = line[:10] + b"[7.301] frost: -2 C\n" + line[10:]
    assert arrival.events(broken + HELLO_LINE) == [
        Damaged(LineFault.FOREIGN),
        LogText("[removed]"),
        Frame(HELLO_ITEM, len(HELLO_LINE)),
    ]


@every_arrival
def test_a_frame_that_does_not_begin_its_line_is_log_text(arrival: Arrival) -> None:
    """A ~ counts only at the start of a line: a prompt before it makes the line log text."""
    assert arrival.events(b"\n> " + HELLO_LINE[1:]) == [LogText("> [frame removed]")]


@pytest.mark.parametrize(
    ("line", "fault"),
    [
        (b"~", LineFault.TOO_SHORT),
        (b"~ # ", LineFault.TOO_SHORT),
        (b"~/orchard $ frost --watch", LineFault.FOREIGN),
        (bytes([0x7E, *range(0x80, 0xFF)]), LineFault.FOREIGN),
        (b"~" + bytes(1000), LineFault.FOREIGN),
        (HELLO_LINE[1:-2] + b"A", LineFault.CHECK),
        (HELLO_LINE[1:6] + b"\xff" + HELLO_LINE[7:-1], LineFault.CHECK),
        (b"~" + b"A" * 700, LineFault.TOO_LONG),
    ],
)
def test_what_may_be_a_frame_is_told_from_prompts_and_noise(line: bytes, fault: LineFault) -> None:
    """By its length and its characters: a damaged frame still has nearly all of a frame's."""
    (event,) = LineReceiver().feed(b"\n" + line + b"\n")
    assert isinstance(event, Damaged)
    assert event.reason is fault
    assert fault.may_be_a_frame is (fault in (LineFault.CHECK, LineFault.TOO_LONG))


def test_empty_lines_yield_nothing() -> None:
    """Line ends alone, and lines of nothing but escape sequences, are no events."""
    assert LineReceiver().feed(b"\n\r\n\r\r\n\n\x1b[0m\n") == []


def test_a_line_counts_when_it_has_ended() -> None:
    """Nothing is reported of a line before its end, which may be a CR."""
    receiver = LineReceiver()
    assert receiver.feed(HELLO_LINE[:-1]) == []
    assert receiver.feed(b"\r") == [Frame(HELLO_ITEM, len(HELLO_LINE))]
    assert receiver.feed(b"\n") == []


def test_sending_keeps_to_the_receivers_limit() -> None:
    """No body over the announced limit is sent, none over 655 characters, and no empty one."""
    assert len(encode_line(bytes(96), limit=128)) == 128 + 11
    with pytest.raises(ValueError, match="130 characters is over the receiver's 128"):
        encode_line(bytes(97), limit=128)
    assert len(encode_line(bytes(491), limit=4096)) == 655 + 11
    with pytest.raises(ValueError, match="656 characters is over the receiver's 655"):
        encode_line(bytes(492), limit=4096)
    with pytest.raises(ValueError, match="empty"):
        encode_line(b"")


@pytest.mark.parametrize("limit", [MIN_BODY_LIMIT - 1, MAX_BODY + 1])
def test_a_receiver_has_a_limit_that_the_protocol_allows(limit: int) -> None:
    """A body limit below 128 shuts hello out, and above 655 five flipped bits could pass."""
    with pytest.raises(ValueError, match=f"128 to 655 characters, not {limit}"):
        LineReceiver(limit)


@given(st.binary(min_size=1, max_size=491))
def test_every_item_comes_back(item: bytes) -> None:
    """Whatever is sent is received, as one line of printable ASCII that the reference checks."""
    line = encode_line(item)
    assert re.fullmatch(rb"\n~[A-Za-z0-9_-]+[@-O]{8}\n", line)
    assert line == line_with(line[2:-9])
    assert LineReceiver().feed(line) == [Frame(item, len(line))]


def test_a_frame_does_not_show_its_item() -> None:
    """A console's echo of a request may carry a secret, so that no dump or log shows the item."""
    assert repr(Frame(b"orchard-in-bloom", 33)) == "Frame(size=33)"


# Damage


def test_every_single_flipped_bit_is_caught() -> None:
    """No frame comes out of the example with any one of its bits flipped, line ends included."""
    for bit in range(8 * len(HELLO_LINE)):
        flipped = bytearray(HELLO_LINE)
        flipped[bit // 8] ^= 1 << bit % 8
        events = LineReceiver().feed(bytes(flipped) + b"\n")
        assert not [event for event in events if isinstance(event, Frame)], f"bit {bit}"


@given(data=st.data())
def test_five_flipped_bits_in_the_longest_frame_are_caught(data: st.DataObject) -> None:
    """Hamming distance 6 at 655 characters: 1 to 5 flipped bits in BODY or CHECK leave no frame."""
    item = data.draw(st.binary(min_size=491, max_size=491))
    line = bytearray(encode_line(item))
    bits = st.integers(8 * 2, 8 * (len(line) - 1) - 1)
    for bit in data.draw(st.sets(bits, min_size=1, max_size=5)):
        line[bit // 8] ^= 1 << bit % 8
    events = LineReceiver().feed(bytes(line))
    assert not [event for event in events if isinstance(event, Frame)]


@pytest.mark.parametrize(
    "alphabet",
    [bytes(range(256)), b"\n\r~~@ABCDEFGHIJKLMNOPabcdefgh0123456789-_", b"~\n@"],
    ids=["any byte", "characters of frames", "little but frame marks"],
)
def test_a_mebibyte_of_noise_holds_no_frame(alphabet: bytes) -> None:
    """1 MiB of noise yields no false frame, about 1 KiB is held, and the frame after it counts."""
    noise = bytes(random.Random(20).choices(alphabet, k=1 << 20))
    receiver = LineReceiver()
    for at in range(0, len(noise), 4096):
        events = receiver.feed(noise[at : at + 4096])
        assert not [event for event in events if isinstance(event, Frame)]
        assert len(receiver._held) <= 961
    assert receiver.feed(HELLO_LINE)[-1] == Frame(HELLO_ITEM, len(HELLO_LINE))


def test_a_line_without_end_is_held_in_bounds() -> None:
    """1 MiB without a line end, as from a wrong baud, never occupies more than 1 KiB."""
    receiver = LineReceiver()
    for _ in range(256):
        assert receiver.feed(b"U\xaa" * 2048) == []
        assert len(receiver._held) <= 961
    assert receiver.feed(b"\n") == [LogText("U?" * 480 + "[cut]")]


PIECES = st.sampled_from(
    [
        b"\n",
        b"\r",
        b"\r\n",
        b"~",
        HELLO_LINE,
        HELLO_LINE[:-1],
        b"frost: -2 C",
        b"\xc3",
        b"\xa9",
        b"\x1b[31m",
        b"A" * 700,
        b"~" + b"x " * 600,
        b"\xe2\x80\xae",
    ]
)


@given(
    st.lists(PIECES | st.binary(max_size=20), max_size=12).map(b"".join),
    st.lists(st.integers(0, 4000)),
)
def test_events_do_not_depend_on_how_the_bytes_are_split(data: bytes, cuts: list[int]) -> None:
    """A receiver reports the same whether the bytes come at once or in any pieces."""
    receiver = LineReceiver()
    edges = [0, *sorted(cuts), len(data)]
    pieces = [data[start:end] for start, end in itertools.pairwise(edges)]
    assert b"".join(pieces) == data
    in_pieces = [event for piece in pieces for event in receiver.feed(piece)]
    assert in_pieces == LineReceiver().feed(data)


# Log text


@pytest.mark.parametrize(
    ("raw", "text"),
    [
        (b"[0.512] mast 2: -1.5 C", "[0.512] mast 2: -1.5 C"),
        ("Fühler 2: -1,5 °C".encode(), "Fühler 2: -1,5 °C"),
        (b"caf\xe9", "caf?"),
        ("Fühler".encode() + b"\xff", "F??hler?"),
        (b"a\tb", "a b"),
        ("ü\tb".encode(), "ü b"),
        (b"bell\x07 nul\x00 del\x7f", "bell? nul? del?"),
        ("°C \u202e\u2066\u200f\u061c\u200e\u202a\u2069 end".encode(), "°C ??????? end"),
        ("°C \x9b31m \ufeff".encode(), "°C ?31m ?"),
        ("°C \u2028".encode(), "°C ?"),
    ],
)
def test_log_text_is_printable(raw: bytes, text: str) -> None:
    """Controls, bidirectional ones (U+202A-202E, 2066-2069, 200E/F, 061C) too, become ``?``."""
    assert clean_log(raw) == text


@pytest.mark.parametrize(
    ("raw", "text"),
    [
        (b"\x1b[1;31mE (42)\x1b[0m siren", "E (42) siren"),
        (b"\x1b]0;title\x07on", "on"),
        (b"\x1b]0;title\x1b\\on", "on"),
        (b"\x1b(Bplain\x1bc", "plain"),
        (b"cut off \x1b[3", "cut off "),
        (b"cut off \x1b", "cut off "),
    ],
)
def test_escape_sequences_are_dropped(raw: bytes, text: str) -> None:
    """ECMA-48 control sequences and strings, complete or cut, leave nothing of themselves."""
    assert clean_log(raw) == text


@pytest.mark.parametrize(
    ("raw", "text"),
    [
        (b"echo ~hAEBB6AKJIDNK@E", "echo [frame removed]"),
        (b"a ~ b ~ c", "a [frame removed]"),
        (b"key 0123456789abcdef.", "key [removed]."),
        (b"key 0123456789abcde.", "key 0123456789abcde."),
        (b"-_-_-_-_-_-_-_-_ and AAAAAAAAAAAAAAAAA", "[removed] and [removed]"),
        (b"AAAAAAAA\x1b[0mAAAAAAAA", "[removed]"),
        (b"\x1b[~hAEB", "[frame removed]"),
    ],
)
def test_what_could_be_a_secret_is_removed(raw: bytes, text: str) -> None:
    """From a ~ on, and in every run of 16 base64url characters, an echo could carry a secret."""
    assert clean_log(raw) == text


@pytest.mark.parametrize(
    ("raw", "text"),
    [
        (b". " * 480, ". " * 480),
        (b". " * 480 + b".", ". " * 480 + "[cut]"),
        (b"." * 950 + b"A" * 20, "." * 950 + "[cut]"),
        (b"." * 949 + b"A\x1b[0m" + b"A" * 20, "." * 949 + "[cut]"),
        (b"." * 959 + "ü".encode(), "." * 959 + "[cut]"),
        (b"\xc3\xbc" + b"." * 957 + "ü".encode(), "ü" + "." * 957 + "[cut]"),
        (b"." * 940 + b"~" + b"A" * 200, "." * 940 + "[frame removed]"),
    ],
)
def test_log_text_is_bounded(raw: bytes, text: str) -> None:
    """Text over 960 bytes is cut, with a mark, and shows no part of a run or character there."""
    assert clean_log(raw) == text
    assert LineReceiver().feed(raw + b"\n") == [LogText(text)]


@given(st.lists(PIECES | st.binary(max_size=2000)).map(b"".join))
def test_whatever_comes_in_log_text_is_harmless(raw: bytes) -> None:
    """Any bytes become bounded printable text without ~ or a run of 16 base64url characters."""
    text = clean_log(raw)
    assert text.isprintable()
    assert len(text) <= 960 + len("[frame removed]")
    assert "~" not in text
    assert not re.search(r"[A-Za-z0-9_-]{16}", text)


def test_every_printable_character_of_ascii_stays_in_log_text() -> None:
    """But for the tilde, with which a message may begin anywhere (clause 2.2)."""
    for byte in range(0x20, 0x7E):
        line = b"at %c 5 V" % byte
        assert clean_log(line) == line.decode()
