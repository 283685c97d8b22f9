# SPDX-License-Identifier: MIT
"""Secrets are found in every form that is promised, wherever they lie, and never shown."""

from __future__ import annotations

import base64
import random
import tracemalloc
from pathlib import Path

import bincopy
import pytest
from hypothesis import given
from hypothesis import strategies as st

from provision.author import find_secrets
from provision.author.find_secrets import (
    AnswersProblem,
    Secret,
    base64_inside,
    pairwise_master_key,
    patterns,
    read_secrets,
    search,
)
from provision.author.images import WINDOW, open_image
from provision.schema_file.load import load_declaration, read_declaration
from tests.author.image_files import DEMO, SECRET_IN_ELF, linked, run, uf2, uf2_block
from tests.secrets.search import Canaries

# Made up so that no path, name or word of a message has six characters of a secret in a row.
PASSPHRASE, NETWORK, KEY = b"Vq8.mZ2x-Lk0wTe", b"Orchard Gate", b"h4-RrC9u.Jy7Xb"
ANSWERS = f"""
[network]
name = "{NETWORK.decode()}"
passphrase = "{PASSPHRASE.decode()}"
[service]
key = "{KEY.decode()}"
[mast]
interval = "2 min"
"""
CANARIES = Canaries({"passphrase": PASSPHRASE, "key": KEY})

# IEEE 802.11-2016, J.4.2, first test case.
TEST_KEY = bytes.fromhex("f42c6fc52df0ebef9ebb4b90b38a5f902e83fe1b135a70e23aed762e9710a12e")


def noise(size: int, seed: int = 6) -> bytes:
    """Return bytes in which nothing is."""
    return random.Random(seed).randbytes(size)


def answers_file(folder: Path, text: str) -> Path:
    """Write an answers file."""
    path = folder / "mine.toml"
    path.write_text(text)
    return path


def find(
    capsys: pytest.CaptureFixture[str],
    image: Path,
    *,
    answers: Path | None = None,
    schema: Path = DEMO,
) -> tuple[int, list[str], str]:
    """Run the command; return its code, the lines printed, and what was said."""
    answers = answers or answers_file(image.parent, ANSWERS)
    code = run(find_secrets, image, "--schema", schema, "--answers", answers)
    printed = capsys.readouterr()
    assert CANARIES.find(printed.out + printed.err) == []
    return code, printed.out.splitlines(), printed.err


def test_the_key_that_a_passphrase_makes() -> None:
    """The derived key is that of the standard's test case; 64 hex digits are the key itself."""
    assert pairwise_master_key("password", b"IEEE") == TEST_KEY
    assert pairwise_master_key(TEST_KEY.hex().upper(), None) == TEST_KEY
    assert pairwise_master_key("password", None) is None


DERIVED = pairwise_master_key(PASSPHRASE.decode(), NETWORK) or b""


@pytest.mark.parametrize(
    ("planted", "told"),
    [
        (PASSPHRASE, "network.passphrase: plain"),
        (KEY, "service.key: plain"),
        (PASSPHRASE[::-1], "network.passphrase: bytes reversed"),
        (KEY.decode().encode("utf-16-le"), "service.key: UTF-16 LE"),
        (KEY.decode().encode("utf-16-be"), "service.key: UTF-16 BE"),
        (KEY.hex().encode(), "service.key: hex"),
        (KEY.hex().upper().encode(), "service.key: hex"),
        (base64.b64encode(KEY), "service.key: base64"),
        (base64.b64encode(b"x" + KEY + b"y"), "service.key: base64"),
        (base64.urlsafe_b64encode(b"xy" + KEY), "service.key: base64"),
        (DERIVED, "network.passphrase: network key made of it"),
        (DERIVED[::-1], "network.passphrase: network key made of it, bytes reversed"),
        (DERIVED.hex().encode(), "network.passphrase: network key made of it, hex"),
        (DERIVED.hex().upper().encode(), "network.passphrase: network key made of it, hex"),
        (base64.b64encode(DERIVED), "network.passphrase: network key made of it, base64"),
    ],
    ids=range(15),
)
def test_every_form(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], planted: bytes, told: str
) -> None:
    """Each form is found where it lies, told by setting, place and form, and makes the code 1."""
    image = tmp_path / "a.bin"
    image.write_bytes(noise(5000) + planted + noise(3000, 7))
    code, lines, said = find(capsys, image)
    assert lines[0].startswith(f"{told}, at byte 0x13")
    if "base64" not in told:
        assert lines[0] == f"{told}, at byte 0x1388."
    assert lines[-1] == f"Do not publish {image}: it has {told.partition(':')[0]} in it."
    assert (code, len(lines), said) == (1, 2, "")


def test_nothing_found(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """An image without a secret makes the code 0, and what was looked for is told."""
    image = tmp_path / "a.bin"
    image.write_bytes(noise(100_000) + PASSPHRASE[:-1] + KEY[1:])
    code, lines, said = find(capsys, image)
    answers = tmp_path / "mine.toml"
    assert lines == [
        f"{image}: none of the 2 secrets in {answers} was found (network.passphrase, service.key)."
    ]
    assert (code, said) == (0, "")


@given(before=st.binary(max_size=7), value=st.binary(min_size=3, max_size=40), after=st.binary())
def test_base64_at_every_alignment(before: bytes, value: bytes, after: bytes) -> None:
    """What is looked for is in the base64 of whatever lies around a value."""
    inside = base64_inside(value, len(before) % 3)
    assert inside in base64.b64encode(before + value + after)
    # All characters but those that share bits with a neighbour: 8 bits a byte, 6 a character.
    assert len(inside) >= (8 * len(value) - 10) // 6


def test_across_the_borders_of_windows(tmp_path: Path) -> None:
    """A secret is found once, wherever it lies to the windows in which a file is read."""
    wanted = [p for p in patterns(Secret("key", KEY, is_text=True)) if p.form == "plain"]
    wanted += patterns(Secret("long", noise(9000), is_text=False))
    path = tmp_path / "a.bin"
    for at in (0, *range(WINDOW - len(KEY) - 1, WINDOW + 2), 2 * WINDOW - 3, 3 * WINDOW - len(KEY)):
        with path.open("wb") as file:
            file.truncate(3 * WINDOW)
            file.seek(at)
            file.write(KEY)
        (found,) = search(open_image(path), wanted)
        assert (found.count, found.places) == (1, (at,))


def test_formats_with_addresses(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """A secret that records break apart, and records out of order, is found by its address."""
    content = noise(1000) + PASSPHRASE + noise(1000, 7)
    whole = bincopy.BinFile()
    whole.add_binary(content, 0x08000000)
    records = whole.as_ihex(16).splitlines()
    # The first record sets the upper half of the address, the last one ends the file.
    shuffled = [records[0], *reversed(records[1:-1]), records[-1]]
    blocks = uf2(content, 0x08000000)
    files = {
        "a.hex": "\n".join(records).encode(),
        "b.hex": "\n".join(shuffled).encode(),
        "c.srec": (whole.as_srec(16) + "S70508000000F2\n").encode(),
        "d.uf2": blocks,
        "e.uf2": b"".join(blocks[at : at + 512] for at in reversed(range(0, len(blocks), 512))),
    }
    for name, data in files.items():
        image = tmp_path / name
        image.write_bytes(data)
        code, lines, _ = find(capsys, image)
        assert lines[:-1] == ["network.passphrase: plain, at address 0x80003e8."], name
        assert code == 1


def test_what_uf2_carries_beside_the_flash(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """A secret in a UF2 block that goes to no flash is published with it, and so is found."""
    image = tmp_path / "a.uf2"
    image.write_bytes(
        uf2_block(b"x", 0, 0, 2) + uf2_block(b"note: " + KEY, 0, 1, 2, flags=0x0000_0001)
    )
    code, lines, _ = find(capsys, image)
    assert lines[0] == f"service.key: plain, at byte {512 + 32 + 6:#x}."
    assert code == 1


@pytest.mark.needs("cc")
def test_an_elf_file(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """A secret that the compiler put into an ELF file is found at its byte."""
    elf = linked(tmp_path)
    assert SECRET_IN_ELF.encode() == PASSPHRASE
    code, lines, _ = find(capsys, elf)
    assert lines[0] == f"network.passphrase: plain, at byte {elf.read_bytes().find(PASSPHRASE):#x}."
    assert code == 1


SCHEMA = """\
format = 1
title = "Every secret"
firmware = { name = "secrets", version = "1" }
[board]
name = "board"
flash-size = 1048576
erase-unit = 1024
program-unit = 4
settings-at = 0
settings-size = 65536
[[section]]
key = "net"
label = "Network"
repeat = { least = 1, most = 2 }
[[section.field]]
key = "name"
kind = "network-name"
label = "Name"
[[section.field]]
key = "pass"
kind = "passphrase"
label = "Passphrase"
network = "name"
[[section]]
key = "keys"
label = "Keys"
[[section.field]]
key = "seed"
kind = "hex"
label = "Seed"
maximum = 16
secret = true
[[section.field]]
key = "cert"
kind = "blob"
label = "Certificate"
maximum = 4000
secret = true
[[section.field]]
key = "pin"
kind = "secret"
label = "PIN"
maximum = 8
[[section.field]]
key = "shown"
kind = "text"
label = "Public"
maximum = 20
"""


def test_secrets_of_every_kind(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Secrets are those of every secret field, repeated or not, some from files of their own."""
    (tmp_path / "cert").write_bytes(noise(3000))
    (tmp_path / "pass").write_bytes(b"second passphrase\r\n")
    (tmp_path / "s.toml").write_text(SCHEMA)
    answers = answers_file(
        tmp_path,
        """
        clear = ["net.2"]
        accept = ["keys.pin"]
        [net.1]
        name = "IEEE"
        pass = "password"
        [net.2]
        name = "hex: 00 ff"
        pass = { file = "pass" }
        [keys]
        seed = "00 11 22 33 44 55 66 77"
        cert = { file = "cert" }
        pin = "9182"
        shown = "all may know"
        """,
    )
    secrets, remarks = read_secrets(answers, read_declaration(SCHEMA, "s.toml").schema)
    assert [(secret.key, secret.value) for secret in secrets] == [
        ("net.1.pass", b"password"),
        ("net.2.pass", b"second passphrase"),
        ("keys.seed", bytes.fromhex("0011223344556677")),
        ("keys.cert", noise(3000)),
        ("keys.pin", b"9182"),
    ]
    assert secrets[0].derived_key == TEST_KEY
    assert remarks == []
    image = tmp_path / "a.bin"
    image.write_bytes(b"all may know 9182" + TEST_KEY + noise(3000) + b"0011223344556677")
    code, lines, _ = find(capsys, image, answers=answers, schema=tmp_path / "s.toml")
    assert lines[:-1] == [
        "net.1.pass: network key made of it, at byte 0x11.",
        "keys.seed: hex, at byte 0xbe9.",
        "keys.cert: plain, at byte 0x31.",
        "keys.pin: plain, at byte 0xd, so short that it may be chance.",
    ]
    assert lines[-1].endswith("it has net.1.pass, keys.seed, keys.cert, keys.pin in it.")
    assert code == 1


def test_a_short_secret_that_is_everywhere(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Of a form that is found often, the first places are told, and how many more there are."""
    (tmp_path / "s.toml").write_text(SCHEMA)
    image = tmp_path / "a.bin"
    image.write_bytes(b"7" * 100_000)
    answers = answers_file(tmp_path, 'keys.pin = "7"')
    code, lines, _ = find(capsys, image, answers=answers, schema=tmp_path / "s.toml")
    assert lines[0] == (
        "keys.pin: plain, at byte 0x0, 0x1, 0x2, 0x3 and 99,996 more, so short that it may be"
        " chance."
    )
    assert code == 1


def test_a_passphrase_without_a_network(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """That the derived key is not looked for, for want of the network's name, is said."""
    image = tmp_path / "a.bin"
    image.write_bytes(noise(1000))
    answers = answers_file(tmp_path, 'network.passphrase = "Vq8.mZ2x-Lk0wTe"')
    code, _, said = find(capsys, image, answers=answers)
    assert "network.passphrase: the key that is made of it is not looked for" in said
    assert code == 0


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ('network.passphrase = "Vq8.mZ2x-Lk0wTe', "is no TOML file"),
        ('network.pasphrase = "Vq8.mZ2x-Lk0wTe"', "network.pasphrase: the schema file has no"),
        ('passphrase = "Vq8.mZ2x-Lk0wTe"', "passphrase: the schema file has no such setting"),
        ('mast.interval = "2 min"', "has no answer to a setting that is secret"),
        ('network.name = "open"\nnetwork.passphrase = ""', "has no answer to a setting that is"),
        ("service.key = true", 'service.key: must be a text, a number or { file = "..." }'),
        ('service.key = { file = "none" }', "service.key: is to be read from a file, and that"),
        ('network.passphrase = "short"', "network.passphrase: "),
    ],
    ids=range(8),
)
def test_answers_that_are_refused(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], text: str, said: str
) -> None:
    """What would make the search find nothing for a wrong reason is told instead, with code 8."""
    image = tmp_path / "a.bin"
    image.write_bytes(PASSPHRASE)
    code, lines, error = find(capsys, image, answers=answers_file(tmp_path, text))
    assert (code, lines) == (8, [])
    assert said in error
    assert error.count("\n") == 1


def test_what_cannot_be_searched(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """A bad image, schema file or answers file is one sentence, and never the code 0."""
    good = tmp_path / "a.bin"
    good.write_bytes(b"x")
    cut = tmp_path / "cut.uf2"
    cut.write_bytes(uf2(b"x" * 999, 0)[:-5])
    newer = tmp_path / "newer.toml"
    newer.write_text(DEMO.read_text().replace("format = 1", "format = 2"))
    for image, schema, answers, expected, said in (
        (tmp_path / "none.bin", DEMO, None, 1, "cannot be read (No such file or directory)"),
        (cut, DEMO, None, 1, "is cut short"),
        (good, newer, None, 1, "is of format 2, newer"),
        (good, DEMO, tmp_path / "none.toml", 8, "cannot be read (No such file or directory)"),
        (good, DEMO, tmp_path, 8, "cannot be read (Is a directory)"),
        (good, DEMO, good, 8, "is no TOML file"),
    ):
        code, lines, error = find(capsys, image, answers=answers, schema=schema)
        assert (code, lines) == (expected, [])
        assert said in error
        assert error.count("\n") == 1


def test_secrets_are_in_no_repr() -> None:
    """What holds a secret does not show it."""
    secret = Secret("key", KEY, is_text=True, derived_key=DERIVED)
    assert CANARIES.find(repr(secret) + repr(patterns(secret))) == []
    with pytest.raises(AnswersProblem) as refused:
        read_secrets(Path("missing"), load_declaration(DEMO).schema)
    assert str(refused.value) == "missing: cannot be read (No such file or directory)."


def test_large_images_are_not_held_in_memory(tmp_path: Path) -> None:
    """An image is searched window by window."""
    path = tmp_path / "a.bin"
    with path.open("wb") as file:
        file.truncate(32 * WINDOW)
        file.seek(31 * WINDOW)
        file.write(KEY)
    wanted = patterns(Secret("key", KEY, is_text=True))
    tracemalloc.start()
    (found,) = search(open_image(path), wanted)
    peak = tracemalloc.get_traced_memory()[1]
    tracemalloc.stop()
    assert found.places == (31 * WINDOW,)
    assert peak < 8 * WINDOW
