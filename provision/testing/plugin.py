# SPDX-License-Identifier: MIT
"""A pytest plugin for testing a firmware's settings in its author's own repository.

It is available as soon as the package is installed. Its fixtures all begin with `provision_`:

    provision_board(schema, ...)
        A board in Python that runs what a schema file declares, on a serial port of its own.
        Any host opens `.port`; `.values`, `.staged`, `.store`, `.traffic` and more show what it
        holds and has heard; `.reset()`, `.unplug()`, `.plug_in()`, `.cut_power_at()` and
        `.press_button()` act on it. It needs `pip install "provision-over-serial[author]"`.
    provision_replayed_board(file)
        A board that gives recorded answers.
    provision_firmware(command...)
        The author's own firmware, compiled for this computer and started as a process; `{port}` in
        the command is the path of its port.
    provision_set_up(board, answers, ...)
        A host that plays a person: it connects to the board, answers from a mapping or a file,
        stores, and waits until the board says whether it works.
    provision_play_recording(board, file)
        Sends a board the requests of a recording, and fails the test at the first answer that
        differs.
    provision_conform(board, ...)
        Tests a board against the protocol, clause by clause.
    provision_port
        The port given by --provision-port, such as a real board's; without it the test is skipped.

A test:

    def test_a_wrong_passphrase_is_told(provision_board, provision_set_up):
        board = provision_board("lantern.toml", networks={"Orchard": "blossom"})
        answers = {"network": {"name": "Orchard", "passphrase": "snowfall"}}
        outcome = provision_set_up(board, answers)
        assert (outcome.result, outcome.run) == ("stored", "failed")
        assert (outcome.reason, outcome.field) == ("passphrase-wrong", "network.passphrase")

Until a fixture is used, only pytest and the standard library are imported. The plugin needs a
system with pseudo-terminals, or `provision_board(..., tcp=True)`.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import ExitStack
from pathlib import Path
from typing import TYPE_CHECKING

import pytest

if TYPE_CHECKING:
    from provision.testing.boards import Program, ReplayedBoard, VirtualBoard
    from provision.testing.host import Conform, PlayRecording, SetUp


def pytest_addoption(parser: pytest.Parser) -> None:
    """Add the option for a board on a port."""
    group = parser.getgroup("provision", "boards that are set up over a serial port")
    group.addoption(
        "--provision-port",
        metavar="PORT",
        help="run the tests that use the fixture provision_port, with the board on this port",
    )
    group.addoption(
        "--provision-record",
        metavar="DIR",
        help="write the conversation of each provision_set_up() into this folder, secrets replaced",
    )


@pytest.fixture
def provision_port(request: pytest.FixtureRequest) -> str:
    """The port of --provision-port; without it the test is skipped."""
    port: str | None = request.config.getoption("--provision-port")
    if port is None:
        pytest.skip("needs a board on a port: --provision-port PORT")
    return port


@pytest.fixture
def provision_board(
    tmp_path_factory: pytest.TempPathFactory,
) -> Iterator[Callable[..., VirtualBoard]]:
    """Make virtual boards, as provision.VirtualBoard() does."""
    from provision.testing import boards  # noqa: PLC0415

    with ExitStack() as stack:

        def make(schema: str | Path, **options: object) -> VirtualBoard:
            folder = tmp_path_factory.mktemp("board")
            return stack.enter_context(boards.VirtualBoard(Path(schema), folder=folder, **options))  # type: ignore[arg-type]

        yield make


@pytest.fixture
def provision_replayed_board(
    tmp_path_factory: pytest.TempPathFactory,
) -> Iterator[Callable[[str | Path], ReplayedBoard]]:
    """Make boards that answer from a file of --provision-record."""
    from provision.testing import boards  # noqa: PLC0415

    with ExitStack() as stack:

        def make(file: str | Path) -> ReplayedBoard:
            folder = tmp_path_factory.mktemp("board")
            return stack.enter_context(boards.replayed_board(Path(file), folder))

        yield make


@pytest.fixture
def provision_firmware(
    tmp_path_factory: pytest.TempPathFactory,
) -> Iterator[Callable[..., Program]]:
    """Start firmware compiled for this computer; end it after the test."""
    from provision.testing import boards  # noqa: PLC0415

    with ExitStack() as stack:

        def start(*command: str | Path) -> Program:
            folder = tmp_path_factory.mktemp("firmware")
            return stack.enter_context(boards.program([str(part) for part in command], folder))

        yield start


@pytest.fixture
def provision_set_up(request: pytest.FixtureRequest) -> SetUp:
    """Set a board up as a person would; see provision.testing.host.SetUp."""
    from provision.testing.host import SetUp  # noqa: PLC0415

    folder: str | None = request.config.getoption("--provision-record")
    return SetUp(None if folder is None else Path(folder), request.node.name)


@pytest.fixture
def provision_play_recording() -> PlayRecording:
    """Play the host's part of a recording; see provision.testing.host.PlayRecording."""
    from provision.testing.host import PlayRecording  # noqa: PLC0415

    return PlayRecording()


@pytest.fixture
def provision_conform() -> Conform:
    """Test a board against the protocol; see provision.testing.host.Conform."""
    from provision.testing.host import Conform  # noqa: PLC0415

    return Conform()
