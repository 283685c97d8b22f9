# SPDX-License-Identifier: MIT
"""The invariants of store and session that a test must never cease to watch, on both boards.

Each is broken on purpose, once in C and once in Python, and named by what the board then does.
`make mutants` breaks them before it changes anything at random.
"""

from __future__ import annotations

from dataclasses import dataclass


class StaleError(Exception):
    """A text that is changed is not there once; str() says which."""


@dataclass(frozen=True, slots=True)
class Named:
    """An invariant that is broken."""

    name: str
    file: str
    changes: tuple[tuple[str, str], ...]
    """Texts, each of which is there once, and what they become."""

    tests: tuple[str, ...]
    """Where a test must fail."""

    def applied(self, source: bytes) -> bytes:
        """Return the text of the file with the invariant broken. Raises StaleError."""
        text = source.decode()
        for old, new in self.changes:
            if text.count(old) != 1:
                raise StaleError(f"{self.name}: {self.file} has {text.count(old)} times: {old}")
            text = text.replace(old, new)
        return text.encode()


def _both(
    name: str,
    in_c: tuple[str, dict[str, str], str],
    in_python: tuple[str, dict[str, str], str],
) -> tuple[Named, Named]:
    """Return the mutants of an invariant: file, changes and test of each board."""
    return tuple(  # type: ignore[return-value]
        Named(f"{name}, in {language}", file, tuple(changes.items()), (test,))
        for language, (file, changes, test) in (("C", in_c), ("Python", in_python))
    )


SRC = "firmware_stub/src"
STORE = "provision/board/store.py"
ENGINE = "provision/board/engine.py"
STAGING = "provision/board/staging.py"
PARTS = "tests/stub/test_staged_secrets.py::test_"
GUESSED = PARTS + "guessing_byte_by_byte_confirms_nothing"  # of both boards
TOLD = PARTS + "what_a_board_says_does_not_depend_on_a_secret"

NAMED = (
    *_both(
        "skips the read-back",
        (
            f"{SRC}/pv_flash.c",
            {
                "p->write_failed || (look_once(p, slot) & PV_VALID) == 0;": (
                    "p->write_failed || look_once(p, slot) > 0xFF;"
                ),
                "p->write_failed || (look_once(p, slot) & PV_SEALED) == 0;": (
                    "p->write_failed || look_once(p, slot) > 0xFF;"
                ),
            },
            "tests/stub/test_store.py",
        ),
        (
            STORE,
            {
                "if self._examine_once(number).record == record:": "if self._slots:",
                "number] = slot = self._examine_once(number)": (
                    "number] = slot = _Slot(record, sealed=True)"
                ),
            },
            "tests/board/test_store.py",
        ),
    ),
    *_both(
        "accepts a trailing byte",
        (
            "firmware_stub/src/pv_cbor.c",
            {"&& from.ready == 0;": "&& from.ready <= 1;"},
            "tests/stub/test_line_and_cbor.py",
        ),
        (
            "provision/contract/profile.py",
            {"    if at < len(data):\n        raise": "    if at + 1 < len(data):\n        raise"},
            "tests/contract/test_profile.py",
        ),
    ),
    *_both(
        "acknowledges before the program",
        (
            f"{SRC}/pv_requests.c",
            {
                "        refusal = p->config->store->commit(p,": (
                    "        p->generation++;\n        pv_reply(p, pv_put_generation);\n"
                    "        p->generation--;\n        refusal = p->config->store->commit(p,"
                ),
                ", commit, pv_put_generation}": ", commit, NULL}",
            },
            "tests/stub/test_flash_faults.py",
        ),
        (
            ENGINE,
            {
                "    except StorageError:\n"
                "        raise RequestRefused(Refusal.STORAGE) from None": (
                    "    except StorageError:\n        pass"
                )
            },
            "tests/board/test_engine.py",
        ),
    ),
    *_both(
        "echoes a secret",
        (
            f"{SRC}/pv_requests.c",
            {" != 0 && !pv_is_secret(field);": " != 0;"},
            "tests/stub/test_conversation.py",
        ),
        (
            ENGINE,
            {"if value is None or declared.is_secret:": "if value is None:"},
            "tests/board/test_engine.py",
        ),
    ),
    *_both(
        "compares a part of a secret",
        (
            f"{SRC}/pv_parts.c",
            {
                "    if (pv_is_secret(field)) {\n        return": (
                    "    if (p == NULL) {\n        return"
                )
            },
            TOLD,
        ),
        (STAGING, {"        if is_secret:  #": "        if is_secret is None:  #"}, TOLD),
    ),
    *_both(
        "keeps a secret of which a part was wrong",
        (f"{SRC}/pv_parts.c", {"pv_unstage(p, i);\n            held = 0;": "held = 0;"}, GUESSED),
        (STAGING, {"self._unstage(setting.key)\n                held = 0": "held = 0"}, GUESSED),
    ),
    *_both(
        "drops the boot number",
        (
            f"{SRC}/pv.c",
            {"& (PV_NAMES_BOOT | PV_NAMES_GENERATION)) != 0": "& PV_NAMES_GENERATION) != 0"},
            "tests/stub/test_conversation.py",
        ),
        (
            ENGINE,
            {"key, present = _NAMED_BOOT[request], self.boot_number": "return"},
            "tests/board/test_engine.py",
        ),
    ),
    *_both(
        "forgets the token",
        (
            f"{SRC}/pv_record.c",
            {"    memcpy(record->token, token, sizeof record->token);": "    (void)token;"},
            "tests/stub/test_store.py",
        ),
        (STORE, {"token=token,\n": "token=NO_TOKEN,\n"}, "tests/board/test_store.py"),
    ),
    *_both(
        "leaves a torn slot at boot",
        (f"{SRC}/pv_slots.c", {"    (void)mend(p);\n": ""}, "tests/stub/test_store.py"),
        (
            STORE,
            {"self._mend()\n        if not self.current.on": "if not self.current.on"},
            "tests/board/test_store.py",
        ),
    ),
)
