# SPDX-License-Identifier: MIT
"""The power fails at every change of the flash: the board holds the old set or the new one, whole.

Each story runs once to count its changes, then once for each change and each way to tear it, with
a start after the cut; and the start, which mends, is cut at each of its own changes in turn. A set
whose commit was answered is there at every later start.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping

import pytest

from provision.board.engine import OFFERED
from provision.board.flash import CutAt, Flash, Geometry, PowerCut, Tear, nothing, prefix
from provision.contract.table import Capability, MessageType
from provision.schema.model import Value
from tests.board.host import NET, TOKENS, Host, make_board

# Program units from one byte to a page, with slots that a set spreads over.
GEOMETRIES = [
    Geometry(size=2048, erase_unit=512, program_unit=1),
    Geometry(size=2048, erase_unit=256, program_unit=8),
    Geometry(size=4096, erase_unit=1024, program_unit=256),
]
OLD: Mapping[str, Value] = {"net.name": b"orchard", "net.pass": "blossom-in-may"}
NEW: Mapping[str, Value] = {"net.name": b"barn", "net.pass": "hay-and-straw-22", "siren.lamp": 3}

Held = tuple[Mapping[str, Value], bytes | None]
"""What a board holds: its values and its token."""

NOTHING: Held = ({}, None)
OLD_SET: Held = (OLD, TOKENS[1])
NEW_SET: Held = (NEW, TOKENS[2])


def commit_new(host: Host) -> None:
    """Commit the new set over what is there."""
    host.stage(NEW)
    host.commit(TOKENS[2])


def undo(host: Host) -> None:
    """Go back to the set before."""
    host.ask(MessageType.UNDO, generation=host.board.generation)


def erase(host: Host) -> None:
    """Wipe everything."""
    host.ask(MessageType.ERASE, generation=host.board.generation)


def confirm(host: Host) -> None:
    """Keep the set that is on trial."""
    host.ask(MessageType.CONFIRM, generation=host.board.generation)


def trial_over(host: Host) -> None:
    """Let the trial's time pass."""
    host.wait(60_000)


def only_start(host: Host) -> None:
    """Nothing but the start counts."""


def prepare_nothing(_host: Host) -> None:
    """A fresh board."""


def prepare_old(host: Host) -> None:
    """The old set is in force."""
    host.store(OLD, TOKENS[1])


def prepare_both(host: Host) -> None:
    """The new set is in force, the old one before it."""
    host.store(OLD, TOKENS[1])
    host.store(NEW, TOKENS[2])


def prepare_trial(host: Host) -> None:
    """The new set is on trial over the old one."""
    host.store(OLD, TOKENS[1])
    commit_new(host)


def prepare_last_start(host: Host) -> None:
    """The next start ends the trial."""
    prepare_trial(host)
    host.restart()
    host.restart()


Story = tuple[Callable[[Host], None], Callable[[Host], None], Held, Held, bool]
STORIES: dict[str, Story] = {
    # what is there, what happens, what is held before and after, whether trials are on
    "first commit": (prepare_nothing, commit_new, NOTHING, NEW_SET, False),
    "commit": (prepare_old, commit_new, OLD_SET, NEW_SET, False),
    "commit on trial": (prepare_old, commit_new, OLD_SET, NEW_SET, True),
    "undo": (prepare_both, undo, NEW_SET, OLD_SET, False),
    "undo a trial": (prepare_trial, undo, NEW_SET, OLD_SET, True),
    "erase": (prepare_both, erase, NEW_SET, NOTHING, False),
    "erase in a trial": (prepare_trial, erase, NEW_SET, NOTHING, True),
    "confirm": (prepare_trial, confirm, NEW_SET, NEW_SET, True),
    "trial is over": (prepare_trial, trial_over, NEW_SET, OLD_SET, True),
    "first start in a trial": (prepare_trial, only_start, NEW_SET, NEW_SET, True),
    "last start in a trial": (prepare_last_start, only_start, NEW_SET, OLD_SET, True),
}


def held(host: Host) -> Held:
    """What the board holds, as a host sees it."""
    token = host.ask(MessageType.HELLO).body["token"]
    assert token is None or isinstance(token, bytes)
    return dict(host.board.stored), token


def begin(story: Story, geometry: Geometry, slots: int) -> Host:
    """A board to which what the story needs has happened, right after another start."""
    prepare, happens, *_, trials = story
    capabilities = OFFERED if trials else OFFERED & ~Capability.TRIAL
    host = Host(make_board(flash=Flash(geometry), slots=slots, capabilities=capabilities))
    prepare(host)
    if happens is not only_start:
        # A start in the preparation's trial would count; elsewhere there is none.
        host.board.store.flash.power_up()
    return host


def play(host: Host, story: Story, cut: CutAt | None) -> bool:
    """Let the story happen; whether it came to its end before the power failed."""
    flash = host.board.store.flash
    flash.power_up(cut) if cut else flash.power_up()
    try:
        if story[1] is only_start:
            host.board.restart(host.board.boot_number + 1, host.now)
        else:
            story[1](host)
    except PowerCut:
        return False
    return True


def changes_of(story: Story, geometry: Geometry, slots: int) -> int:
    """How many changes the story makes; it ends as it should."""
    host = begin(story, geometry, slots)
    assert play(host, story, None)
    assert held(host) == story[3]
    return host.board.store.flash.changes


def tears(geometry: Geometry) -> list[Tear]:
    """Nothing, one byte, all but one of a program, all of a program and all but one of an erase."""
    sizes = {1, geometry.program_unit - 1, geometry.erase_unit - 1} - {0}
    return [nothing, *(prefix(size) for size in sorted(sizes))]


SETTINGS = [(GEOMETRIES[0], 2), (GEOMETRIES[1], 3), (GEOMETRIES[1], 4), (GEOMETRIES[2], 4)]


# Two slots hold no older set for sure, so that a board with two offers neither trial nor undo.
POSSIBLE = [
    (name, geometry, slots)
    for name, story in STORIES.items()
    for geometry, slots in SETTINGS
    if slots > 2 or not (story[4] or story[1] is undo)
]


@pytest.mark.parametrize(("name", "geometry", "slots"), POSSIBLE)
def test_one_cut_leaves_old_or_new(name: str, geometry: Geometry, slots: int) -> None:
    """After a cut at any change the next start has one of the two sets, and every later one too."""
    story = STORIES[name]
    _, _, before, after, trials = story
    for number in range(changes_of(story, geometry, slots)):
        for tear in tears(geometry):
            host = begin(story, geometry, slots)
            assert not play(host, story, CutAt(number, tear))
            host.restart()
            found = held(host)
            assert found in (before, after)
            if not trials or after == NOTHING:  # else the starts go on counting
                host.restart()
                assert held(host) == found
            # The board is as good as before: it takes a set, and keeps it.
            host.store(NET, TOKENS[5])
            host.restart()
            assert held(host)[1] == TOKENS[5]


@pytest.mark.parametrize("name", STORIES)
def test_a_second_cut_while_mending_leaves_old_or_new(name: str) -> None:
    """The start after a cut is cut as well, at each of its own changes."""
    story = STORIES[name]
    geometry, slots = GEOMETRIES[1], 4
    _, _, before, after, _ = story
    for number in range(changes_of(story, geometry, slots)):
        mending = 0
        while True:
            host = begin(story, geometry, slots)
            assert not play(host, story, CutAt(number, prefix(4)))
            flash = host.board.store.flash
            flash.power_up(CutAt(mending, prefix(4)))
            try:
                host.board.restart(2000, host.now)
            except PowerCut:
                host.restart()
                # Three starts in a trial end it, whether they came to their end or not.
                third_start = story[1] is only_start and held(host) == OLD_SET
                assert held(host) in (before, after) or third_start
                mending += 1
            else:
                break


@pytest.mark.parametrize("slots", [2, 3, 4])
def test_an_answered_commit_survives_every_start(slots: int) -> None:
    """Once the reply is out, cuts in all that comes later never bring the older set back."""
    for number in range(40):
        host = begin(STORIES["commit"], GEOMETRIES[1], slots)
        commit_new(host)
        flash = host.board.store.flash
        flash.power_up(CutAt(number, prefix(4)))
        try:
            host.board.restart(2000, host.now)
            host.stage({"siren.lamp": 2})
            host.commit(TOKENS[6])
        except PowerCut:
            host.restart()
        assert held(host) in (NEW_SET, ({**NEW, "siren.lamp": 2}, TOKENS[6]))
