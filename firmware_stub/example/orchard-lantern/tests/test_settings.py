# SPDX-License-Identifier: MIT
"""The lantern's settings: on a virtual board, on the compiled firmware, and over an update.

The fixtures are those of `provision.testing`, a plugin for pytest that comes with `provision`.
"""

from pathlib import Path

import pytest

HERE = Path(__file__).parent
SCHEMA = HERE.parent / "orchard-lantern.toml"
OLDER = HERE / "orchard-lantern-1.0.0.toml"
LANTERN = HERE.parent / "build" / "lantern"

ANSWERS = {
    "lamp": {"1": {"pin": 4}, "2": {"pin": 5, "level": 20}},
    "sensor": {"address": "28 a1 5c 07 d6 01 3c e9"},
}


@pytest.fixture
def lantern(provision_firmware, tmp_path):
    """The compiled provision_firmware, its flash new."""
    return provision_firmware(LANTERN, "--flash", tmp_path / "flash", "--link", "{port}")


def test_two_lamps_are_set(provision_board, provision_set_up):
    """Defaults are stored, too."""
    board = provision_board(SCHEMA)
    assert provision_set_up(board, ANSWERS).result == "stored"
    assert board.values["lamp.2.level"] == 20
    assert board.values["lamp.1.level"] == 60
    assert "lamp.3.pin" not in board.values


def test_two_lamps_never_share_a_pin(provision_board, provision_set_up):
    """The dialog refuses before anything is sent."""
    board = provision_board(SCHEMA)
    with pytest.raises(Exception, match=r"lamp\.2\.pin: must be another pin"):
        provision_set_up(board, {"lamp": {"1": {"pin": 4}, "2": {"pin": 4}}})
    assert board.values == {}


@pytest.mark.parametrize("fault", ["lose-reply:5", "damage-reply:3", "reset-after:6", "echo"])
def test_a_bad_line_stores_all_or_nothing(provision_board, provision_set_up, fault):
    """Here all, since the host asks again."""
    board = provision_board(SCHEMA, faults=[fault])
    assert provision_set_up(board, ANSWERS).result == "stored"
    assert board.values["lantern.name"] == "Gate lantern"


def test_the_firmware_works_with_its_settings(lantern, provision_set_up):
    """The program itself reports it."""
    outcome = provision_set_up(lantern, ANSWERS)
    assert (outcome.result, outcome.run) == ("stored", "proven")


def test_a_sensor_of_another_family_is_the_setting_at_fault(lantern, provision_set_up):
    """The program tells which setting it is."""
    wrong = {**ANSWERS, "sensor": {"address": "10 a1 5c 07 d6 01 3c e9"}}
    outcome = provision_set_up(lantern, wrong)
    assert outcome.run == "failed"
    assert (outcome.reason, outcome.field) == ("no-response", "sensor.address")


def test_the_firmware_keeps_to_the_protocol(lantern, provision_conform):
    """Every clause that applies."""
    assert provision_conform(lantern).is_met


def test_an_update_keeps_what_people_have_set(
    provision_board, provision_firmware, provision_set_up, tmp_path
):
    """Stored by 1.0.0, under an older key; the compiled 1.1.0 has it and asks what is new."""
    flash = tmp_path / "flash"
    board = provision_board(OLDER, flash=flash)
    provision_set_up(board, {"lamp": {"1": {"pin": 4, "brightness": 35}}})
    board.close()
    updated = provision_firmware(LANTERN, "--flash", flash, "--link", "{port}")
    outcome = provision_set_up(updated, {"sensor": ANSWERS["sensor"]})
    assert outcome.stored == ("sensor.address",)
    assert outcome.run == "proven"


def test_a_board_in_the_field_is_played_from_its_recording(
    provision_replayed_board, provision_set_up
):
    """Recorded with --provision-record; no board is needed any more."""
    board = provision_replayed_board(HERE / "set-up-1.1.0.txt")
    assert provision_set_up(board, ANSWERS).run == "proven"
    assert board.deviation is None


def test_the_firmware_answers_as_the_board_in_the_field_did(lantern, provision_play_recording):
    """A change of the firmware that a host would notice is told, with the first such answer."""
    provision_play_recording(lantern, HERE / "set-up-1.1.0.txt")


def test_a_power_cut_while_storing_leaves_all_or_nothing(provision_board, provision_set_up):
    """In the middle of the second change of the flash."""
    board = provision_board(SCHEMA)
    provision_set_up(board, ANSWERS)
    before = board.values
    board.cut_power_at(2)
    outcome = provision_set_up(board, {"lamp": {"2": {"level": 90}}})
    assert board.values == before | ({"lamp.2.level": 90} if outcome.result == "stored" else {})


def test_a_board_on_the_desk(provision_port, provision_set_up):
    """With --provision-port PORT the same answers go to a real one."""
    assert provision_set_up(provision_port, ANSWERS).run == "proven"
