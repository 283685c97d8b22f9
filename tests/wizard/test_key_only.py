# SPDX-License-Identifier: MIT
"""Where the author wants only a network's key stored, no passphrase ever leaves the host (9.2)."""

from __future__ import annotations

import asyncio
import subprocess
from pathlib import Path

import pytest

from provision import cli
from provision.author import c_code
from provision.board.engine import from_declaration
from provision.board.firmware import Device, NetworkInRange, Surroundings
from provision.board.loopback import Loopback
from provision.client.cache import Cache
from provision.contract.table import Kind, Refusal
from provision.link.connection import Connection
from provision.link.operations import StagedChange
from provision.link.ports import open_stream
from provision.link.replies import NotStored
from provision.schema.model import Field
from provision.schema.values import check_value, network_key, refusal_words
from provision.schema_file.load import load_declaration, read_declaration
from provision.schema_file.reader import FileMistakes
from provision.testing.boards import VirtualBoard, program
from provision.testing.host import SetUp
from scripts.derive.vectors.values import WPA_EXAMPLES
from tests.waiting import LONG
from tests.wizard.bench import RETURN, Line, play_on, typed

ROOT = Path(__file__).parents[2]
LAMP = (ROOT / "schemas" / "orchard-gate-lamp.toml").read_text(encoding="utf-8")
KEY_ONLY = LAMP.replace('network = "name"\n', 'network = "name"\nkey-only = true\n')
FIELD = Field("pass", Kind.PASSPHRASE, "Passphrase", minimum=64, network="net.name")
PASSPHRASE = "three-old-apple-trees"
ANSWERS = {
    "network": {"name": "Orchard", "passphrase": PASSPHRASE},
    "alarm": {"name": "Lower mast", "key": "w7-Zephyr.0419"},
}
KEY = network_key(PASSPHRASE, b"Orchard")


@pytest.mark.parametrize(("passphrase", "name", "key"), WPA_EXAMPLES)
def test_the_key_is_that_of_the_standards_examples(passphrase: str, name: str, key: str) -> None:
    """IEEE 802.11-2016 J.4.2 (from memory, see the vectors); a key given as such stays one."""
    assert network_key(passphrase, name.encode()) == key
    assert network_key(key, name.encode()) == key


@pytest.mark.parametrize(
    ("value", "refused"),
    [
        (KEY, None),
        (KEY.upper(), None),
        (PASSPHRASE, Refusal.LENGTH),
        (KEY[:-1], Refusal.LENGTH),
        (KEY[:-1] + "g", Refusal.FORM),
    ],
)
def test_a_board_takes_nothing_but_the_key(value: str, refused: Refusal | None) -> None:
    """Any other length is refused, whatever it holds."""
    schema = read_declaration(KEY_ONLY, "lamp.toml").schema
    assert check_value(FIELD, value, schema) is refused
    assert "64 hexadecimal digits" in str(refusal_words(FIELD, Refusal.LENGTH))


def test_the_file_declares_it_in_one_word() -> None:
    """True or false; it belongs to passphrases alone."""
    field = read_declaration(KEY_ONLY, "lamp.toml").schema.setting("network.passphrase")
    assert field is not None
    assert field.field.minimum == 64
    with pytest.raises(FileMistakes, match="belongs to `passphrase`"):
        read_declaration(
            LAMP.replace("maximum = 40\n", "maximum = 40\nkey-only = true\n"), "lamp.toml"
        )


async def test_a_person_types_the_passphrase_and_the_key_is_sent() -> None:
    """The board works with it, and has never seen the passphrase."""
    declaration = read_declaration(KEY_ONLY, "lamp.toml")
    around = Surroundings((NetworkInRange(b"Orchard", PASSPHRASE, -50),), None)
    device = Device(from_declaration(declaration), around)
    async with Loopback(device) as loopback:
        keys = [typed("1", PASSPHRASE, "Lower mast", "w7-Zephyr.0419", "", "", "", ""), RETURN]
        ending, screen = await play_on(Connection(Line(loopback)), Cache(None), keys)
        assert ending.run == "proven", screen
        assert device.board.stored["network.passphrase"] == KEY
        assert PASSPHRASE.encode() not in device.board.store.flash.content


async def test_a_name_that_is_changed_on_the_way_makes_another_key() -> None:
    """The key is made of what is stored in the end, not of what was typed first."""
    device = Device(from_declaration(read_declaration(KEY_ONLY, "lamp.toml")), Surroundings())
    async with Loopback(device) as loopback:
        keys = [
            typed("Barn", PASSPHRASE, "<", "<", "Orchard", PASSPHRASE),
            typed("Lower mast", "w7-Zephyr.0419", "", "", "", ""),
            RETURN,
        ]
        await play_on(Connection(Line(loopback)), Cache(None), keys)
        assert device.board.stored["network.passphrase"] == KEY


@pytest.mark.needs("cc", "make")
def test_the_compiled_stub_keeps_the_same_rule(tmp_path: Path) -> None:
    """From the file to the flash: the key is in it, the passphrase is refused and nowhere."""
    file = tmp_path / "key-lamp.toml"
    file.write_text(KEY_ONLY, encoding="utf-8")
    c_code.write(load_declaration(file), "key-lamp", tmp_path)
    made = {"SCHEMA_C": tmp_path / "key_lamp.c", "BOARD": tmp_path / "lamp", "PV_PROVEN": 1}
    made["BUILD"] = tmp_path / "build"
    command = ["make", "-s", "-C", str(ROOT / "firmware_stub"), "generic"]
    command += [f"{name}={value}" for name, value in made.items()]
    subprocess.run(command, check=True, timeout=LONG)
    flash = tmp_path / "flash"
    command = [str(tmp_path / "lamp"), "--flash", str(flash), "--link", "{port}"]
    with program(command, tmp_path) as board:
        assert SetUp()(board, ANSWERS).result == "stored"
        assert KEY.encode() in flash.read_bytes()
        assert PASSPHRASE.encode() not in flash.read_bytes()
        outcome = asyncio.run(_store(board.port))
    assert isinstance(outcome, NotStored)
    assert outcome.refused is not None
    assert outcome.refused.code == Refusal.LENGTH


async def _store(port: str) -> object:
    """Send the passphrase itself, as no host of ours does."""
    async with Connection(await open_stream(port, baud=115200)) as connection:
        changes: list[StagedChange] = [
            ("network.name", b"Orchard"),
            ("network.passphrase", PASSPHRASE),
        ]
        return await connection.store(changes, token=b"12345678")


def test_an_update_that_begins_to_want_the_key_is_told(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """A stored passphrase no longer fits, and the board finds the same; the way back keeps it."""
    old, new = tmp_path / "old.toml", tmp_path / "new.toml"
    old.write_text(LAMP, encoding="utf-8")
    new.write_text(KEY_ONLY, encoding="utf-8")
    assert cli.main(["carry-over", str(old), str(new)]) == 1
    assert (
        "network.passphrase  only the key of 64 hexadecimal digits now" in capsys.readouterr().out
    )
    assert cli.main(["carry-over", str(new), str(old)]) == 0
    flash = tmp_path / "flash"
    with VirtualBoard(old, folder=tmp_path, flash=flash) as board:
        SetUp()(board, ANSWERS)
    with VirtualBoard(new, folder=tmp_path, flash=flash) as updated:
        assert "network.passphrase" not in updated.values
        outcome = SetUp()(updated, {"network": ANSWERS["network"]})
        assert set(outcome.stored) == {"network.name", "network.passphrase"}
        assert updated.values["network.passphrase"] == KEY
