# SPDX-License-Identifier: MIT
"""What this program puts out: results, messages, and files that are whole or not there.

What is for a program, or for a file that is read again, is exact. Cleaning is for the eye alone
(provision.client.sanitize).
"""

from __future__ import annotations

import contextlib
import errno
import io
import json
import os
import stat
import sys
from collections.abc import Iterator
from pathlib import Path
from typing import Any, TextIO, cast

from provision.catalogue import tr


def open_standard_streams() -> None:
    """Put something in the place of standard streams that were closed.

    Otherwise the next port or file that is opened has their number, and is printed into. What is
    read is at its end; a result cannot be written, which is told; messages go nowhere.
    """
    if sys.stdin is None:
        sys.stdin = open(_nothing(os.O_RDONLY), encoding="utf-8")  # noqa: SIM115
    if sys.stdout is None:
        sys.stdout = open(_nothing(os.O_RDONLY), "w", encoding="utf-8")  # noqa: SIM115
    if sys.stderr is None:
        sys.stderr = open(_nothing(os.O_WRONLY), "w", encoding="utf-8")  # noqa: SIM115


def _nothing(flags: int) -> int:
    return os.open(os.devnull, flags)


class Guarded:
    """A standard stream that never raises OSError, so that a command comes to its own end.

    A disk may be full, and whoever reads may have gone. What is printed after that goes nowhere.
    """

    def __init__(self, stream: TextIO, *, is_told: bool) -> None:
        """is_told: whether a failure is told on standard error."""
        self._stream = stream
        self._is_told = is_told
        self._failed = False
        self.gone = False
        """Whether nobody gets what is printed any more."""

    def write(self, text: str) -> int:
        """Write text; a failure is kept instead of raised."""
        try:
            return self._stream.write(text)
        except OSError as error:
            self._give_up(error)
        return len(text)

    def flush(self) -> None:
        """Flush; a failure is kept instead of raised."""
        try:
            self._stream.flush()
        except OSError as error:
            self._give_up(error)

    def in_utf_8(self) -> None:
        """Write text in UTF-8 and its lines as they are, for a file that is read again."""
        if isinstance(self._stream, io.TextIOWrapper):
            self._stream.reconfigure(encoding="utf-8", newline="")

    def take_failure(self) -> bool:
        """Return whether something was lost since this was asked last."""
        self.flush()
        failed, self._failed = self._failed, False
        return failed

    def __getattr__(self, name: str) -> Any:
        return getattr(self._stream, name)

    def _give_up(self, error: OSError) -> None:
        with contextlib.suppress(OSError, ValueError):  # what is left must not fail at the exit
            nothing = _nothing(os.O_WRONLY)
            os.dup2(nothing, self._stream.fileno())
            os.close(nothing)
        if not self.gone and self._is_told and not isinstance(error, BrokenPipeError):
            self._failed = True
            words = tr(
                "The result could not be written to standard output ({why}).", why=error.strerror
            )
            sys.stderr.write(f"{words}\n")
            sys.stderr.flush()
        self.gone = True


@contextlib.contextmanager
def guarded() -> Iterator[Guarded]:
    """Guard the standard streams; yield the one of results."""
    out, err = sys.stdout, sys.stderr
    results = Guarded(out, is_told=True)
    sys.stdout, sys.stderr = cast("TextIO", results), cast("TextIO", Guarded(err, is_told=False))
    try:
        yield results
    finally:
        results.flush()
        sys.stderr.flush()
        sys.stdout, sys.stderr = out, err


def results() -> Guarded:
    """Return standard output, which is guarded."""
    assert isinstance(sys.stdout, Guarded)
    return sys.stdout


def as_json(value: object) -> str:
    """Return a value as JSON in ASCII: every other character is escaped, and so stays itself."""
    return json.dumps(value, indent=2) + "\n"


def write_file(path: Path, content: bytes, *, replace: bool = False) -> None:
    """Write a file whole or not at all, and so that it outlasts a power cut.

    A file that has this content already is left alone. Raises FileExistsError where there is
    another, unless it is to be replaced; its permissions then stay. Raises OSError where nothing
    can be written, or what is there is no ordinary file.
    """
    path = Path(os.path.realpath(path))  # through links, which stay
    permissions = None
    if path.exists():
        there = path.stat()
        if not stat.S_ISREG(there.st_mode):
            raise OSError(errno.EINVAL, tr("it is not a regular file"), str(path))
        if there.st_size == len(content) and path.read_bytes() == content:
            return
        if not replace:
            raise FileExistsError(errno.EEXIST, os.strerror(errno.EEXIST), str(path))
        permissions = stat.S_IMODE(there.st_mode)
    fresh = path.with_name(f".provision-{os.urandom(8).hex()}")
    try:
        number = os.open(fresh, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o666)
        with os.fdopen(number, "wb") as file:
            file.write(content)
            file.flush()
            os.fsync(file.fileno())
        if permissions is not None:
            fresh.chmod(permissions)
        if replace:
            fresh.replace(path)
        else:
            _put_in_place(fresh, path)
    finally:
        fresh.unlink(missing_ok=True)
    with contextlib.suppress(OSError):  # not every system can
        folder = os.open(path.parent, os.O_RDONLY)
        try:
            os.fsync(folder)
        finally:
            os.close(folder)


def _put_in_place(fresh: Path, path: Path) -> None:
    """Give a file its name. Raises FileExistsError if somebody was faster."""
    try:
        path.hardlink_to(fresh)
    except FileExistsError:
        raise
    except OSError:  # the file system has no links: take the name first
        path.touch(exist_ok=False)
        fresh.replace(path)


def unwritten(path: Path, error: OSError) -> str:
    """Return why a file was not written, in one sentence that says what to do."""
    if isinstance(error, FileExistsError):
        return tr(
            "{path}: already exists, and was not changed: name another file, or give --replace.",
            path=path,
        )
    return tr("{path}: cannot be written ({why}).", path=path, why=error.strerror)
