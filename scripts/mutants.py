# SPDX-License-Identifier: MIT
# ruff: noqa: E501 - what is compared with a source has the length that it has there
"""The guards of the board and the host, each with what taking it away would mean.

A guard is a line that keeps a promise of shared/protocol.md or shared/security.md. Coverage says
that tests come by; that one of them looks is shown by leaving the guard out. `make mutants` does.
"""

from __future__ import annotations

from dataclasses import dataclass

STORE_C = "firmware_stub/src/pv_store.c"
PV_C = "firmware_stub/src/pv.c"
LINE_C = "firmware_stub/src/pv_line.c"
CBOR_C = "firmware_stub/src/pv_cbor.c"
CHECK_C = "firmware_stub/src/pv_check.c"
VALUES_C = "firmware_stub/src/pv_values.c"
STORE = "provision/board/store.py"
ENGINE = "provision/board/engine.py"
STAGING = "provision/board/staging.py"
LINE = "provision/contract/line.py"
PROFILE = "provision/contract/profile.py"
EXCHANGE = "provision/link/exchange.py"

C_STORE_TESTS = ("tests/stub/test_store.py", "tests/stub/test_store_power.py", "tests/power")
C_TESTS = ("tests/stub/test_guards.py", "tests/vectors", "tests/stub/test_conversation.py")
SECRET_TESTS = ("tests/stub/test_staged_secrets.py", "tests/vectors/test_conversations.py")
C_LINE_TESTS = ("tests/stub/test_line_and_cbor.py", "tests/stub/test_guards.py", "tests/vectors")
BOARD_TESTS = ("tests/board", "tests/vectors")
CONTRACT_TESTS = ("tests/contract", "tests/vectors")
LINK_TESTS = ("tests/link", "tests/sessions")


@dataclass(frozen=True, slots=True)
class Mutant:
    """One guard less."""

    name: str
    """What it does then, in words that follow "the code ...". """

    file: str
    changes: tuple[tuple[str, str], ...]
    """Texts, each of which is there once, and what they become."""

    tests: tuple[str, ...]
    """Where a test must fail; the first ones are the likeliest."""


def _one(name: str, file: str, old: str, new: str, tests: tuple[str, ...]) -> Mutant:
    return Mutant(name, file, ((old, new),), tests)


NAMED = (
    "skips the read-back",
    "accepts a trailing byte",
    "acknowledges before the program",
    "echoes a secret",
    "compares a part of a secret",
    "keeps a secret of which a part was wrong",
    "drops the boot number",
    "forgets the token",
    "leaves a torn slot at boot",
)
"""The invariants that are broken in both boards, each by a mutant of this name."""

MUTANTS = (
    # ------------------------------------------------------------------ both boards, the named ones
    Mutant(
        "skips the read-back, in C",
        STORE_C,
        (
            (" ||\n                     !holds(to->p, to->at, config->unit, unit);", ";"),
            ("    to.failed = to.failed || !examine_once(p, slot, check);", "    (void)check;"),
        ),
        C_STORE_TESTS,
    ),
    Mutant(
        "skips the read-back, in Python",
        STORE,
        (
            (
                "            if self._examine_once(number).record == record:",
                "            if self._slots:",
            ),
            (
                "                self._slots[number] = slot = self._examine_once(number)",
                "                self._slots[number] = slot = _Slot(record, sealed=True)",
            ),
        ),
        BOARD_TESTS,
    ),
    _one(
        "accepts a trailing byte, in C",
        CBOR_C,
        "    return from.left == 0;\n}",
        "    return from.left <= 1;\n}",
        C_LINE_TESTS,
    ),
    _one(
        "accepts a trailing byte, in Python",
        PROFILE,
        '    if at < len(data):\n        raise ProfileError(f"{len(data)',
        '    if at + 1 < len(data):\n        raise ProfileError(f"{len(data)',
        CONTRACT_TESTS,
    ),
    Mutant(
        "acknowledges before the program, in C",
        PV_C,
        (
            (
                "    refusal = pv_store_commit(p, r->arguments[PV_KEY_COMMIT_TOKEN].bytes);",
                """\
    p->storage.generation++;
    reply_generation(p, r);
    p->storage.generation--;
    refusal = pv_store_commit(p, r->arguments[PV_KEY_COMMIT_TOKEN].bytes);""",
            ),
            (
                "    p->apply_due = true;\n    reply_generation(p, r);\n",
                "    p->apply_due = true;\n",
            ),
        ),
        ("tests/stub/test_conversation.py", "tests/fuzz", "tests/vectors"),
    ),
    _one(
        "acknowledges before the program, in Python",
        ENGINE,
        "        with _storage_refused():\n            self.store.commit(",
        "        with suppress(StorageError):\n            self.store.commit(",
        BOARD_TESTS,
    ),
    _one(
        "echoes a secret, in C",
        PV_C,
        " && (state & PV_IN_FORCE) != 0 && !pv_is_secret(field);",
        " && (state & PV_IN_FORCE) != 0;",
        C_TESTS,
    ),
    _one(
        "echoes a secret, in Python",
        ENGINE,
        "        if value is None or declared.is_secret:",
        "        if value is None:",
        BOARD_TESTS,
    ),
    _one(
        "takes the lower half of what a head announces for all of it",
        CBOR_C,
        "    if (from->failed || size > from->left) {",
        "    size = (uint16_t)size;\n    if (from->failed || size > from->left) {",
        ("tests/emulated/test_avr.py",),
    ),
    _one(
        "lets the items that arrays announce wrap",
        CBOR_C,
        "if (items > from->left || head.argument > (from->left - items) / each) {",
        "if (head.argument > from->left) {",
        ("tests/stub/test_coverage_gaps.py",),
    ),
    _one(
        "compares a part of a secret, in C",
        PV_C,
        "    came_before = pv_is_secret(field)\n",
        "    came_before = pv_is_secret(field) && p == NULL\n",
        SECRET_TESTS,
    ),
    _one(
        "compares a part of a secret, in Python",
        STAGING,
        "        if is_secret:  # what the part contains",
        "        if is_secret is None:  # what the part contains",
        SECRET_TESTS,
    ),
    _one(
        "keeps a secret of which a part was wrong, in C",
        PV_C,
        "                unstage(p, i);\n                held = 0;\n",
        "                held = 0;\n",
        SECRET_TESTS,
    ),
    _one(
        "keeps a secret of which a part was wrong, in Python",
        STAGING,
        "                self._unstage(setting.key)\n                held = 0\n",
        "                held = 0\n",
        SECRET_TESTS,
    ),
    _one(
        "drops the boot number, in C",
        PV_C,
        "        present = p->config->boot_number;\n",
        "        return 0;\n",
        C_TESTS,
    ),
    _one(
        "drops the boot number, in Python",
        ENGINE,
        "            key, present = _NAMED_BOOT[request], self.boot_number\n",
        "            return\n",
        BOARD_TESTS,
    ),
    _one(
        "forgets the token, in C",
        STORE_C,
        "    memcpy(header + AT_TOKEN, token, 8);\n",
        "    (void)token;\n",
        (*C_STORE_TESTS, *C_TESTS),
    ),
    _one(
        "forgets the token, in Python",
        STORE,
        "            token=token,\n",
        "            token=NO_TOKEN,\n",
        BOARD_TESTS,
    ),
    _one(
        "leaves a torn slot at boot, in C",
        STORE_C,
        "    (void)mend(p);\n",
        "",
        C_STORE_TESTS,
    ),
    _one(
        "leaves a torn slot at boot, in Python",
        STORE,
        "        self._mend()\n        if not self.current.on_trial:",
        "        if not self.current.on_trial:",
        BOARD_TESTS,
    ),
    _one(
        "copies a void record whose seal may be torn, in C",
        STORE_C,
        "    renew_void(p);\n",
        "",
        C_STORE_TESTS,
    ),
    _one(
        "copies a void record whose seal may be torn, in Python",
        STORE,
        "            self._renew_void()\n",
        "            pass\n",
        BOARD_TESTS,
    ),
    # ------------------------------------------------------------------------------- the C store
    _one(
        "does not settle a start",
        STORE_C,
        "    settle(p);\n    choose(p);",
        "    choose(p);",
        C_STORE_TESTS,
    ),
    _one("counts no start of a trial", STORE_C, "    count_start(p);\n", "", C_STORE_TESTS),
    _one(
        "overwrites the older set", STORE_C, "        keep |= bit(older(p));\n", "", C_STORE_TESTS
    ),
    _one(
        "takes a copy for an older set",
        STORE_C,
        " && p->storage.slots[slot].set_number != p->storage.set_number)",
        " && slot != p->storage.slot)",
        C_STORE_TESTS,
    ),
    _one(
        "says erased while slots are left",
        STORE_C,
        "    return mend(p) ? 0 : PV_REFUSE_STORAGE;",
        "    return 0;",
        C_STORE_TESTS,
    ),
    _one(
        "does not compare a payload's checksum",
        STORE_C,
        " &&\n           ~from->crc == get32(header + AT_PAYLOAD_CRC);",
        " && header != NULL;",
        C_STORE_TESTS,
    ),
    _one(
        "does not compare a header's checksum",
        STORE_C,
        "           get32(header + AT_HEADER_CRC) == crc_of(header, AT_HEADER_CRC) &&\n",
        "",
        C_STORE_TESTS,
    ),
    _one(
        "believes a length in flash",
        STORE_C,
        " &&\n           get32(header + AT_LENGTH) <= room(flash);",
        ";",
        C_STORE_TESTS,
    ),
    _one(
        "takes a payload that is no entries",
        STORE_C,
        "    if (!is_entries(&from.reader) || !is_right(&from, header)) {",
        "    (void)(is_entries(&from.reader) || pv_read(&from.reader, NULL, from.reader.left));\n"
        "    if (!is_right(&from, header)) {",
        (*C_STORE_TESTS, "tests/fuzz"),
    ),
    _one(
        "leaves what a failing slot holds",
        STORE_C,
        "        (void)write_void(p, slot);\n        p->storage",
        "        p->storage",
        C_STORE_TESTS,
    ),
    _one(
        "takes a value of another kind or unit",
        STORE_C,
        "    if (tag == wanted) {",
        "    if ((tag & 0xFF) == (wanted & 0xFF)) {",
        C_STORE_TESTS,
    ),
    # ------------------------------------------------------------------------ the C conversation
    _one(
        "acts on a generation gone by",
        PV_C,
        "        present = p->storage.generation;\n        break;\n    default:",
        "        return 0;\n    default:",
        C_TESTS,
    ),
    _one(
        "does a commit again whose token it knows",
        PV_C,
        "    if (is_repeat(p, r)) {",
        "    if (r->type != PV_MSG_COMMIT && is_repeat(p, r)) {",
        C_TESTS,
    ),
    _one(
        "takes changes with nobody there",
        PV_C,
        "    if (rule->changes != 0 && has(p, PV_CAN_PRESENCE)",
        "    if (rule->changes > 1 && has(p, PV_CAN_PRESENCE)",
        C_TESTS,
    ),
    _one(
        "does not compare the count of a commit",
        PV_C,
        "    if (r->arguments[PV_KEY_COMMIT_COUNT].number != pv_staged_count(p) ||\n        r->",
        "    if (r->",
        C_TESTS,
    ),
    _one(
        "does not compare the digest of a commit",
        PV_C,
        " ||\n        r->arguments[PV_KEY_COMMIT_DIGEST].number != pv_staged_digest(p)) {",
        ") {",
        C_TESTS,
    ),
    _one(
        "keeps what is staged for ever",
        PV_C,
        "    if (now(p) - p->answered >= PV_STAGED_LIFETIME_MS) {\n        pv_drop_staged(p);",
        "    if (now(p) - p->answered >= PV_STAGED_LIFETIME_MS) {",
        (*C_TESTS, "tests/stub/test_wiping.py"),
    ),
    _one(
        "passes over keys that it does not know",
        PV_C,
        "            if (key < PV_SKIPPABLE_FROM) {\n                return false;\n            }\n",
        "",
        C_TESTS,
    ),
    _one(
        "takes a part beyond the total",
        PV_C,
        "        return PV_REFUSE_MALFORMED;\n    }\n    if (i == PV_NO_FIELD) {",
        "        r->has_detail = false;\n    }\n    if (i == PV_NO_FIELD) {",
        (*C_TESTS, "tests/fuzz"),
    ),
    _one(
        "takes a part behind a gap",
        PV_C,
        "        } else if (offset != held) {",
        "        } else if (offset > total) {",
        C_TESTS,
    ),
    _one(
        "discards nothing",
        PV_C,
        "    case PV_MSG_DISCARD:\n        pv_drop_staged(p);\n        reply",
        "    case PV_MSG_DISCARD:\n        reply",
        C_TESTS,
    ),
    _one(
        "undoes, erases and commits in any state",
        PV_C,
        "    if ((rule->stores >> pv_store_state(p) & 1) == 0 ||\n        (rule->staged",
        "    if ((rule->staged",
        C_TESTS,
    ),
    # ---------------------------------------------------------------------- C lines, CBOR, values
    _one(
        "does not look at the check",
        LINE_C,
        "        if (line[length + i] != '@' + (crc >> (28 - 4 * i) & 15)) {",
        "        if (line[length + i] < '@' + (crc & 0)) {",
        C_LINE_TESTS,
    ),
    _one(
        "ignores pad bits",
        LINE_C,
        "    if (bit_count == 6 || (bits & ((1U << bit_count) - 1)) != 0) {",
        "    if (bit_count == 6) {",
        C_LINE_TESTS,
    ),
    _one(
        "keeps the rest of a line too long",
        LINE_C,
        "                pv_line_done(p);\n                p->receiving = IN_OTHER_TEXT;",
        "                p->receiving = IN_MESSAGE;",
        C_LINE_TESTS,
    ),
    _one(
        "leaves requests in the receive buffer",
        LINE_C,
        "    pv_wipe(p->config->line, p->fill); /* even",
        "    /* even",
        ("tests/stub/test_wiping.py", *C_LINE_TESTS),
    ),
    _one(
        "takes heads that are not the shortest",
        CBOR_C,
        "        if (head->argument < 24 || (size > 1 && head->argument >> (size * 4) == 0)) {",
        "        if (head->argument == UINT32_MAX && size == 1) {",
        C_LINE_TESTS,
    ),
    _one(
        "takes keys in any order",
        CBOR_C,
        "(in->has_key && head.argument <= in->key)",
        "(in->has_key && head.argument == in->key)",
        C_LINE_TESTS,
    ),
    _one(
        "takes keys twice",
        CBOR_C,
        "head.argument <= in->key",
        "head.argument < in->key",
        C_LINE_TESTS,
    ),
    _one(
        "does not look at UTF-8",
        CBOR_C,
        "(head.major == PV_TEXT && !pv_is_utf8(from.memory, (size_t)head.argument))",
        "(head.major == PV_TEXT && from.memory == NULL)",
        C_LINE_TESTS,
    ),
    _one(
        "takes any integer",
        VALUES_C,
        "    return value < field->minimum || value > field->maximum",
        "    return value < field->minimum",
        ("tests/stub/test_kinds.py", *C_TESTS),
    ),
    _one(
        "takes text of any length",
        VALUES_C,
        "    if (size < (size_t)field->minimum || size > (size_t)field->maximum) {",
        "    if (size > (size_t)field->maximum) {",
        ("tests/stub/test_kinds.py", *C_TESTS),
    ),
    _one(
        "takes pins that are taken",
        VALUES_C,
        "            return pin->taken ? PV_REFUSE_PIN_TAKEN\n                   : (field",
        "            return (field",
        ("tests/stub/test_kinds.py", *C_TESTS),
    ),
    _one(
        "takes one pin for two things",
        CHECK_C,
        "            if (pin_of(p, set, states, k) == pin &&",
        "            if (pin_of(p, set, states, k) > 999 &&",
        C_TESTS,
    ),
    _one(
        "takes a set that lacks something",
        CHECK_C,
        "           : defect.other == PV_NO_FIELD ? PV_REFUSE_MISSING\n",
        "           : defect.other == PV_NO_FIELD ? 0\n",
        C_TESTS,
    ),
    _one(
        "takes a network without its passphrase",
        CHECK_C,
        "            if (is_staged(p, i) != is_staged(p, k)) {",
        "            if (is_staged(p, i) > 1 && !is_staged(p, k)) {",
        C_TESTS,
    ),
    # ------------------------------------------------------------------------- the Python board
    _one(
        "takes changes with nobody there, in Python",
        ENGINE,
        "        if row.changes and not self._presence_suffices():",
        "        if not row.changes and not self._presence_suffices():",
        BOARD_TESTS,
    ),
    _one(
        "does not compare a commit with what is staged, in Python",
        ENGINE,
        "        if (body[CommitKey.COUNT], body[CommitKey.DIGEST]) != expected:",
        "        if body[CommitKey.COUNT] != expected[0]:",
        BOARD_TESTS,
    ),
    _one(
        "stores what breaks a rule of the whole, in Python",
        ENGINE,
        "        if fault is not None:\n            raise Refused(fault.code",
        "        if fault is not None and not fault:\n            raise Refused(fault.code",
        BOARD_TESTS,
    ),
    _one(
        "keeps incomplete parts at discard, in Python",
        STAGING,
        "        self._forget_parts()\n        self._values.clear()",
        "        self._values.clear()",
        BOARD_TESTS,
    ),
    # ------------------------------------------------------------------------ contract, in Python
    _one(
        "does not look at the check, in Python",
        LINE,
        "        if is_long or line[-_CHECK_LENGTH:] != _check(body):",
        "        if len(line) < _CHECK_LENGTH:",
        CONTRACT_TESTS,
    ),
    _one(
        "ignores pad bits, in Python",
        LINE,
        '        if base64.urlsafe_b64encode(item).rstrip(b"=") != body:',
        "        if not item:",
        CONTRACT_TESTS,
    ),
    _one(
        "shows what stands behind a tilde in a log line",
        LINE,
        "        return text + _FRAME_MARK\n",
        '        return text + raw.decode(errors="replace")\n',
        CONTRACT_TESTS,
    ),
    _one(
        "shows long runs of base64url in a log line",
        LINE,
        "_printable(_RUN.sub(_RUN_MARK, kept), whole=not cut)",
        "_printable(kept, whole=not cut)",
        CONTRACT_TESTS,
    ),
    _one(
        "nests as deep as the input says, in Python",
        PROFILE,
        "            if len(enclosing) >= max_depth:",
        "            if len(enclosing) >= 10 * max_depth:",
        CONTRACT_TESTS,
    ),
    _one(
        "takes heads that are not the shortest, in Python",
        PROFILE,
        "    if argument < shorter:",
        "    if argument < 24:",
        CONTRACT_TESTS,
    ),
    # ------------------------------------------------------------------------------- the host
    _one(
        "sends more than the board has room for",
        EXCHANGE,
        "        return self._in_flight() + len(pending.line) <= self.limits.credit",
        "        return self._in_flight() >= 0",
        LINK_TESTS,
    ),
    _one(
        "lets something follow a commit",
        EXCHANGE,
        "        return not self.limits.receives_while_storing and any(",
        "        return self.limits.credit < 0 and any(",
        LINK_TESTS,
    ),
    _one(
        "takes a reply of another type",
        EXCHANGE,
        "    if message.type not in (MessageType.REFUSAL, request.type + 1):",
        "    if message.type == request.type:",
        LINK_TESTS,
    ),
    _one(
        "shows log text while settings are sent",
        EXCHANGE,
        "        if not self._may_echo:\n            self._log.append(text)",
        "        if self._log is not None:\n            self._log.append(text)",
        ("tests/secrets/test_echoes.py", *LINK_TESTS),
    ),
    _one(
        "believes a schema of another digest",
        "provision/settings/wire.py",
        " or _digest(inflated) != digest:",
        ":",
        ("tests/settings/test_wire.py",),
    ),
    _one(
        "inflates without a bound",
        "provision/settings/wire.py",
        "inflate.decompress(deflated, MAX_SCHEMA + 1)",
        "inflate.decompress(deflated)",
        ("tests/settings/test_wire.py", "tests/hostile/test_texts.py"),
    ),
    _one(
        "lets a board's text steer the terminal",
        "provision/wizard/cleaning.py",
        '    line = "".join(c if c.isprintable() else "?" for c in text[: limit + 1])',
        "    line = text[: limit + 1]",
        ("tests/wizard/test_cleaning.py",),
    ),
    _one(
        "shows an answer in its repr",
        "provision/wizard/questions.py",
        "    value: Value = field(repr=False)\n    written: str | None = field(default=None, repr=False)",
        "    value: Value = field()\n    written: str | None = field(default=None, repr=False)",
        ("tests/secrets/test_exceptions.py",),
    ),
)
