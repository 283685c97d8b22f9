# SPDX-License-Identifier: MIT
"""The same as mutants.py, guard by guard: what each single check keeps out, left out by itself.

The name of each says what is wrong then. A guard can run in every test and yet be missed by none;
those that had no test of their own when this table was made have one in a test_guards.py.
"""

from __future__ import annotations

from scripts.mutants import Mutant


def _one(name: str, file: str, old: str, new: str, tests: tuple[str, ...]) -> Mutant:
    return Mutant(name, file, ((old, new),), tests)


_LINE = "firmware_stub/src/pv_line.c"
_CBOR = "firmware_stub/src/pv_cbor.c"
_CHECK = "firmware_stub/src/pv_check.c"
_STORE = "firmware_stub/src/pv_store.c"
_VALUES = "firmware_stub/src/pv_values.c"
_BOARD = "firmware_stub/src/pv.c"

_TALK = ("tests/vectors/test_conversations.py", "tests/stub/test_conversation.py")
_CORNERS = ("tests/stub/test_coverage_gaps.py", "tests/stub/test_guards.py", *_TALK)
_LINES = ("tests/stub/test_guards.py", "tests/vectors/test_lines.py")
_MESSAGES = ("tests/vectors/test_messages.py", *_CORNERS)
_ITEMS = ("tests/stub/test_line_and_cbor.py", "tests/stub/test_guards.py")
_FLASH = ("tests/stub/test_store.py", "tests/stub/test_guards.py")
_STARTS = (*_FLASH, "tests/stub/test_store_power.py")
_KINDS = ("tests/vectors/test_values.py", "tests/stub/test_kinds.py")
_WIPED = ("tests/stub/test_wiping.py", "tests/stub/test_conversation.py")

_OF_THE_LINE = (
    _one(
        "CHECK is not compared, in C",
        _LINE,
        "if (line[length + i] != '@' + (crc >> (28 - 4 * i) & 15)) {",
        "if (crc == 0 && length == 0) {",
        _LINES,
    ),
    _one(
        "of CHECK only the first half is compared, in C",
        _LINE,
        "    for (i = 0; i < PV_CHECK_SIZE; i++) {\n        if (line[length",
        "    for (i = 0; i < PV_CHECK_SIZE / 2; i++) {\n        if (line[length",
        _LINES,
    ),
    _one(
        "a character too many in base64url is passed over, in C",
        _LINE,
        "if (bit_count == 6 || (bits",
        "if ((bits",
        _LINES,
    ),
    _one(
        "a character that is not in the alphabet counts as one that is, in C",
        _LINE,
        "if (value > 63) {",
        "if (value > 64) {",
        _LINES,
    ),
    _one(
        "a line one character too long is kept, in C",
        _LINE,
        "if (p->fill < p->config->line_size)",
        "if (p->fill <= p->config->line_size)",
        ("tests/vectors/test_lines.py", *_CORNERS),
    ),
    _one(
        "the receive buffer is not wiped, in C",
        _LINE,
        "    pv_wipe(p->config->line, p->fill); /* even a damaged line may hold a secret */\n",
        "",
        ("tests/stub/test_conversation.py", "tests/stub/test_wiping.py"),
    ),
)

_OF_ITEMS = (
    _one(
        "a byte behind an item is accepted, in C",
        _CBOR,
        "    return from.left == 0;\n}\n\n/* -",
        "    return true;\n}\n\n/* -",
        _ITEMS,
    ),
    _one(
        "an integer need not be in the shortest form, in C",
        _CBOR,
        "if (head->argument < 24 || (size > 1 && head->argument >> (size * 4) == 0)) {",
        "if (size > 4) {",
        _ITEMS,
    ),
    _one(
        "a length below 256 may stand in two bytes, in C",
        _CBOR,
        "head->argument < 24 || (size > 1 && head->argument >> (size * 4) == 0)",
        "head->argument < 24",
        _ITEMS,
    ),
    _one(
        "the key of a map may be a text, in C",
        _CBOR,
        "if (head.major != PV_UINT || (in->has_key",
        "if ((in->has_key",
        _ITEMS,
    ),
    _one(
        "an overlong form counts as UTF-8, in C",
        _CBOR,
        "if (character < smallest || character > 0x10FFFF ||",
        "if (smallest == 0 || character > 0x10FFFF ||",
        _ITEMS,
    ),
    _one(
        "a surrogate counts as a character, in C",
        _CBOR,
        "(character >= 0xD800 && character <= 0xDFFF)",
        "character == 0xDFFF",
        _ITEMS,
    ),
    _one(
        "depth is not bounded, in C",
        _CBOR,
        "if (depth == PV_MAX_DEPTH || head",
        "if (head",
        _ITEMS,
    ),
    _one(
        "an array of 65,536 items counts as one of none, in C",
        _CBOR,
        "if (depth == PV_MAX_DEPTH || head.argument > from.left) {",
        "if (depth == PV_MAX_DEPTH) {",
        _ITEMS,
    ),
    _one(
        "a map of 2,147,483,648 pairs that is passed over counts as one of none, in C",
        _CBOR,
        "            if (items > from->left || head.argument > (from->left - items) / each) {\n"
        "                return fail(from);\n            }\n            items",
        "            items",
        _FLASH,
    ),
    _one(
        "a tag is passed over, in C",
        _CBOR,
        " || head->major == PV_TAG ||",
        " ||",
        _ITEMS,
    ),
    _one(
        "any simple value is taken, and floating point, in C",
        _CBOR,
        "(info < PV_FALSE || info > PV_NULL)",
        "info > 26",
        _ITEMS,
    ),
    _one(
        "a negative integer may be below -2^31, in C",
        _CBOR,
        "(head->major == PV_NEGATIVE && head->argument > INT32_MAX) || ",
        "",
        _ITEMS,
    ),
)

_OF_THE_CONVERSATION = (
    _one(
        "a commit is acknowledged before it is programmed, in C",
        _BOARD,
        "    refusal = pv_store_commit(p, r->arguments[PV_KEY_COMMIT_TOKEN].bytes);\n"
        "    if (refusal != 0) {\n"
        "        return refusal;\n"
        "    }\n"
        "    pv_settings_overlay(p);\n"
        "    p->defect = pv_judge(p, p->config->settings);\n"
        "    pv_drop_staged(p);\n"
        "    p->done = 0;\n"
        "    p->apply_due = true;\n"
        "    reply_generation(p, r);\n",
        "    p->storage.generation++;\n"
        "    reply_generation(p, r);\n"
        "    p->storage.generation--;\n"
        "    if (pv_store_commit(p, r->arguments[PV_KEY_COMMIT_TOKEN].bytes) != 0) {\n"
        "        return 0;\n"
        "    }\n"
        "    pv_settings_overlay(p);\n"
        "    p->defect = pv_judge(p, p->config->settings);\n"
        "    pv_drop_staged(p);\n"
        "    p->done = 0;\n"
        "    p->apply_due = true;\n",
        ("tests/stub/test_guards.py", *_TALK, "tests/stub/test_store.py"),
    ),
    _one(
        "a passphrase is no secret, in C",
        _VALUES,
        "kind == PV_KIND_SECRET || kind == PV_KIND_PASSPHRASE ||",
        "kind == PV_KIND_SECRET ||",
        _TALK,
    ),
    _one(
        "bytes that are declared secret are no secret, in C",
        _VALUES,
        " || (field->flags & PV_SECRET) != 0;",
        ";",
        _TALK,
    ),
    _one(
        "the boot number is not compared, in C",
        _BOARD,
        "        present = p->config->boot_number;\n        break;",
        "        return 0;",
        _TALK,
    ),
    *(
        _one(
            f"the generation that {request} names is not compared, in C",
            _BOARD,
            "        present = p->storage.generation;\n        break;",
            f"        if (r->type == PV_MSG_{request.upper()}) {{\n"
            "            return 0;\n"
            "        }\n"
            "        present = p->storage.generation;\n"
            "        break;",
            _CORNERS,
        )
        for request in ("undo", "erase", "confirm")
    ),
    _one(
        "the repeat of a commit is done again, in C",
        _BOARD,
        "        return p->storage.holds_set &&\n",
        "        return p->config == NULL &&\n",
        _TALK,
    ),
    _one(
        "another undo, confirm or erase counts as the repeat of the last, in C",
        _BOARD,
        " &&\n           r->arguments[PV_KEY_UNDO_GENERATION].number == p->done_named;",
        ";",
        _CORNERS,
    ),
    _one(
        "a set that differs stays staged, in C",
        _BOARD,
        "        pv_drop_staged(p);\n        return PV_REFUSE_SET_DIFFERS;",
        "        return PV_REFUSE_SET_DIFFERS;",
        _TALK,
    ),
    _one(
        "what was committed stays staged, in C",
        _BOARD,
        "    pv_drop_staged(p);\n    p->done = 0;\n    p->apply_due = true;",
        "    p->done = 0;\n    p->apply_due = true;",
        _TALK,
    ),
    _one(
        "what was staged outlives a restart that keeps memory, in C",
        _BOARD,
        "    pv_drop_staged(p);\n    pv_wipe(config->line",
        "    pv_wipe(config->line",
        ("tests/stub/test_guards.py", *_WIPED),
    ),
    _one(
        "nobody need be present to change a set, in C",
        _BOARD,
        "!config->present(config->context)",
        "config->present == NULL",
        _TALK,
    ),
    _one(
        "a request is done whatever is staged, in C",
        _BOARD,
        " ||\n        (rule->staged & (pv_staged_count(p) == 0 ? 1 : 2)) == 0) {",
        ") {",
        _CORNERS,
    ),
    _one(
        "what the board does not offer is done, in C",
        _BOARD,
        "if (!has(p, rule->needs)) {",
        "if (!has(p, rule->needs) && rule->type != PV_MSG_UNDO && rule->type != PV_MSG_CONFIRM) {",
        _CORNERS,
    ),
    _one(
        "a part may reach beyond the total, in C",
        _BOARD,
        "r->arguments[PV_KEY_SET_FIELD_TOTAL].number) { /* of",
        "r->arguments[PV_KEY_SET_FIELD_TOTAL].number + PV_MAX_PIECE) { /* of",
        _MESSAGES,
    ),
    _one(
        "a total may be longer than the field, in C",
        _BOARD,
        "if (total > field->maximum) {",
        "if (total > 60000) {",
        _CORNERS,
    ),
    _one(
        "a part may leave a gap, in C",
        _BOARD,
        "} else if (offset != held) {",
        "} else if (offset < held) {",
        _TALK,
    ),
    _one(
        "a part may overlap what is held, in C",
        _BOARD,
        "} else if (offset != held) {",
        "} else if (offset > held) {",
        _CORNERS,
    ),
    _one(
        "a token may be short, in C",
        "firmware_stub/include/pv_table.h",
        "BYTES, 1U, 8U, 8U)",
        "BYTES, 1U, 0U, 8U)",
        _MESSAGES,
    ),
    _one(
        "a key that must be there may lack, in C",
        _BOARD,
        "forms[i].required != 0 && !is_present",
        "forms[i].required > 1 && !is_present",
        _MESSAGES,
    ),
    _one(
        "a key that is not known is passed over, in C",
        _BOARD,
        "            if (key < PV_SKIPPABLE_FROM) {\n",
        "            if (key == 0) {\n",
        _MESSAGES,
    ),
    _one(
        "a number may be larger than the table says, in C",
        _BOARD,
        "head.argument >= form->least && head.argument <= form->most;",
        "head.argument >= form->least;",
        _MESSAGES,
    ),
    _one(
        "a number may be smaller than the table says, in C",
        _BOARD,
        "head.argument >= form->least && head.argument <= form->most;",
        "head.argument <= form->most;",
        _MESSAGES,
    ),
    _one(
        "a reply is answered, in C",
        _BOARD,
        " || type.argument % 2 == 0 ||\n",
        " ||\n",
        _MESSAGES,
    ),
    _one(
        "a request of another version is done, in C",
        _BOARD,
        "    if (version != PV_PROTOCOL_VERSION) {\n        if (r->type",
        "    if (version > 200) {\n        if (r->type",
        _MESSAGES,
    ),
    _one(
        "a board goes on listening, in C",
        _BOARD,
        "        p->silent = true;",
        "        p->silent = false;",
        _TALK,
    ),
    _one(
        "a piece may reach beyond the schema's end, in C",
        _BOARD,
        "    if (length > schema->deflated_size - offset) {",
        "    if (length > schema->deflated_size - offset + PV_MAX_PIECE) {",
        _TALK,
    ),
    _one(
        "a trial's time never ends, in C",
        _BOARD,
        "(!p->confirm_due && trial_left(p) != 0)",
        "!p->confirm_due",
        _TALK,
    ),
    _one(
        "a trial that was not proven is kept when its time is over, in C",
        _BOARD,
        "(proven ? pv_store_confirm(p) : pv_store_end_trial(p))",
        "(p->config != NULL ? pv_store_confirm(p) : pv_store_end_trial(p))",
        _TALK,
    ),
    _one(
        "the firmware gets values of fields that do not apply, in C",
        _CHECK,
        "(PV_STATE(p->config->settings, field) & both) == both;",
        "(PV_STATE(p->config->settings, field) & both) != 0;",
        _CORNERS,
    ),
)

_OF_WHOLES = (
    _one(
        "two fields may have one pin, in C",
        _CHECK,
        "for (k = 0; pin >= 0 && k < i; k++) {",
        "for (k = 0; pin > 255 && k < i; k++) {",
        _TALK,
    ),
    _one(
        "two fields may have one pin if either shares it, in C",
        _CHECK,
        "(schema->fields[i].flags & schema->fields[k].flags & PV_SHARES) == 0",
        "((schema->fields[i].flags | schema->fields[k].flags) & PV_SHARES) == 0",
        _CORNERS,
    ),
    _one(
        "a network's name may come without its passphrase, in C",
        _CHECK,
        "if (is_staged(p, i) != is_staged(p, k)) {",
        "if (is_staged(p, i) && k >= count) {",
        _TALK,
    ),
    _one(
        "a set that lacks what is required is stored, in C",
        _CHECK,
        "(field->flags & PV_REQUIRED) != 0 &&",
        "(field->flags & PV_REQUIRED) > PV_REQUIRED &&",
        _TALK,
    ),
    _one(
        "conditions are not asked, in C",
        _CHECK,
        "        if (used && holds(p, set, states, field->condition)) {\n",
        "        (void)holds(p, set, states, field->condition);\n        if (used) {\n",
        _CORNERS,
    ),
    _one(
        "a condition holds whatever the value it names, in C",
        _CHECK,
        "if (condition->values[i] == value) {",
        "if (condition->values[i] == value || i == 0) {",
        _CORNERS,
    ),
    _one(
        "an instance that is not in use applies, in C",
        _CHECK,
        "            used = in_use(p, set, i);\n",
        "            (void)in_use(p, set, i);\n",
        _CORNERS,
    ),
    _one(
        "what is dropped stays in the staged struct, in C",
        _CHECK,
        "    pv_wipe(p->config->staged, (size_t)p->config->schema->settings_size);\n",
        "    pv_wipe(p->config->staged, p->config->schema->field_count);\n",
        _WIPED,
    ),
    _one(
        "the parts of a value that was dropped are still held, in C",
        _CHECK,
        "settings_size);\n    p->part_field = PV_NO_FIELD;\n",
        "settings_size);\n",
        _CORNERS,
    ),
    _one(
        "a value that was cleared stays in the settings, in C",
        _CHECK,
        "    } else {\n        pv_member_wipe(field, settings);\n    }",
        "    }",
        _WIPED,
    ),
)

_OF_VALUES = (
    _one(
        "a text may be longer than its field says, in C",
        _VALUES,
        "    if (announced > (uint32_t)field->maximum) {\n"
        "        (void)pv_read(from, NULL, announced);\n        return PV_REFUSE_LENGTH;\n    }\n",
        "",
        ("tests/stub/test_guards.py", *_FLASH),
    ),
    _one(
        "a number may be below its field's least, in C",
        _VALUES,
        "return value < field->minimum || value > field->maximum ?",
        "return value > field->maximum ?",
        _KINDS,
    ),
    _one(
        "the characters that a field admits are not asked, in C",
        _VALUES,
        "if (!admits(field->detail, pv_utf8_next(&bytes, end))) {",
        "if (!admits(field->detail & 0, pv_utf8_next(&bytes, end))) {",
        _KINDS,
    ),
    _one(
        "control characters are admitted, in C",
        _VALUES,
        "return c > 0x1F && (c < 0x7F || c > 0x9F) && c != PV_NO_CHARACTER;",
        "return c != PV_NO_CHARACTER;",
        _KINDS,
    ),
    _one(
        "a pin need not have what its field needs, in C",
        _VALUES,
        "(field->detail & ~pin->abilities) != 0 ? PV_REFUSE_PIN_UNFIT\n",
        "(field->detail & ~pin->abilities) != 0 ? 0\n",
        _KINDS,
    ),
    _one(
        "a key of 64 digits need not be hexadecimal, in C",
        _VALUES,
        "return is_all(is_hexadecimal, bytes, KEY_DIGITS)",
        "return is_all(is_ascii, bytes, KEY_DIGITS)",
        _KINDS,
    ),
    _one(
        "an option of the right length counts as the option, in C",
        _VALUES,
        "strlen(field->names[i]) == size && memcmp(field->names[i], key, (size_t)size) == 0",
        "strlen(field->names[i]) == size",
        _KINDS,
    ),
    _one(
        "an address of one family counts for the other, in C",
        _VALUES,
        "return (field->detail & family) != 0 ? 0",
        "return family != 0 && field->detail != 0 ? 0",
        _KINDS,
    ),
    _one(
        "a number of an IPv4 address may be above 255, in C",
        _VALUES,
        "            if (number > 255) {\n                return false;\n            }\n",
        "",
        _KINDS,
    ),
    _one(
        "port 0 is a port, in C",
        _VALUES,
        "return number >= 1 && number <= 65535;",
        "return number <= 65535;",
        _KINDS,
    ),
    _one(
        "a URL may have any scheme, in C",
        _VALUES,
        "if (size >= length + 3 && memcmp(bytes, *scheme, length) == 0 &&\n",
        "if (size >= length + 3 &&\n",
        _KINDS,
    ),
    _one(
        "a TZ string may have anything behind it, in C",
        _VALUES,
        "!take_rule(&c) || c.at != c.end) {",
        "!take_rule(&c)) {",
        _KINDS,
    ),
    _one(
        "a shorter value leaves the rest of a longer one behind it, in C",
        _VALUES,
        "            pv_member_wipe(field, settings); /* the old value may be longer */\n",
        "",
        _WIPED,
    ),
)

_OF_THE_STORE = (
    _one(
        "what was programmed is not read back, in C",
        _STORE,
        " ||\n                     !holds(to->p, to->at, config->unit, unit);",
        ";",
        _STARTS,
    ),
    _one(
        "a record is not read again as a whole, in C",
        _STORE,
        "    to.failed = to.failed || !examine_once(p, slot, check);\n",
        "    (void)examine_once(p, slot, check);\n",
        _STARTS,
    ),
    _one(
        "a slot that was erased is not read back, in C",
        _STORE,
        "    return holds(p, at, NULL, flash->slot_size);\n",
        "    return true;\n",
        _STARTS,
    ),
    _one(
        "an erase that fails by its own word is not heard, in C",
        _STORE,
        "        if (flash->erase(p->config->context, at + done) != 0) {\n"
        "            return false;\n        }\n",
        "        (void)flash->erase(p->config->context, at + done);\n",
        _STARTS,
    ),
    _one(
        "a program that fails by its own word is not heard, in C",
        _STORE,
        "        to->failed = config->flash->program(config->context, to->at, config->unit, unit)"
        " != 0 ||\n                     !holds",
        "        (void)config->flash->program(config->context, to->at, config->unit, unit);\n"
        "        to->failed = !holds",
        _STARTS,
    ),
    _one(
        "a commit is acknowledged whatever the store did, in C",
        _STORE,
        "    return publish(p, header, NO_SLOT, kept(p), NULL) ? 0 : PV_REFUSE_STORAGE;",
        "    (void)publish(p, header, NO_SLOT, kept(p), NULL);\n    return 0;",
        _STARTS,
    ),
    _one(
        "a confirm is acknowledged whatever the store did, in C",
        _STORE,
        "    return republish(p, p->storage.slot, p->storage.set_number, 0, NULL) ? 0"
        " : PV_REFUSE_STORAGE;",
        "    (void)republish(p, p->storage.slot, p->storage.set_number, 0, NULL);\n    return 0;",
        _FLASH,
    ),
    _one(
        "an undo is acknowledged whatever the store did, in C",
        _STORE,
        "    return take_up(p, to, republish(p, slot, next_number(p, true), 0, to));",
        "    (void)take_up(p, to, republish(p, slot, next_number(p, true), 0, to));\n    return 0;",
        _FLASH,
    ),
    _one(
        "an erase is acknowledged though a slot could not be wiped, in C",
        _STORE,
        "    return mend(p) ? 0 : PV_REFUSE_STORAGE;",
        "    (void)mend(p);\n    return 0;",
        _FLASH,
    ),
    _one(
        "the token is not read at a start, in C",
        _STORE,
        "    memcpy(storage->token, header + AT_TOKEN, sizeof storage->token);\n",
        "    memset(storage->token, 0, sizeof storage->token);\n",
        (*_TALK, *_STARTS),
    ),
    _one(
        "a record without a seal is not written anew at a start, in C",
        _STORE,
        "    settle(p);\n    choose(p);",
        "    if (p->config == NULL) {\n        settle(p);\n    }\n    choose(p);",
        _STARTS,
    ),
    _one(
        "half a seal is a seal, in C",
        _STORE,
        "memcmp(seal, right, SEAL_SIZE) == 0",
        "memcmp(seal, right, SEAL_SIZE / 2) == 0",
        _STARTS,
    ),
    _one(
        "a payload may be anything that has its CRC, in C",
        _STORE,
        "    if (!is_entries(&from.reader) || !is_right(&from, header)) {",
        "    (void)(is_entries(&from.reader) || pv_read(&from.reader, NULL, from.reader.left));\n"
        "    if (!is_right(&from, header)) {",
        _FLASH,
    ),
    _one(
        "the record in force is overwritten, in C",
        _STORE,
        "    uint8_t keep = bit(p->storage.slot);\n",
        "    uint8_t keep = 0;\n",
        _STARTS,
    ),
    _one(
        "the older set is overwritten, in C",
        _STORE,
        "        keep |= bit(older(p));\n",
        "        (void)older(p);\n",
        _STARTS,
    ),
    _one(
        "a start in a trial is not counted, in C",
        _STORE,
        "(uint8_t)(storage->starts_left - 1)",
        "storage->starts_left",
        _FLASH,
    ),
    _one(
        "the third start in a trial keeps the set, in C",
        _STORE,
        "    } else {\n        (void)end_trial(p, NULL);\n    }",
        "    } else {\n"
        "        (void)republish(p, storage->slot, storage->set_number, 0, NULL);\n    }",
        _FLASH,
    ),
    _one(
        "generations go on from 0, in C",
        _STORE,
        "    return number == UINT32_MAX ? 1 : number + 1;",
        "    return number + 1;",
        _FLASH,
    ),
    _one(
        "a generation that wrapped is the oldest, in C",
        _STORE,
        "    return one != 0 && (other == 0 || one - other - 1 < INT32_MAX);",
        "    return one > other;",
        _FLASH,
    ),
    _one(
        "a payload is read unchecked while it is loaded, in C",
        _STORE,
        "            load_value(schema, settings, number, each.tag, &from.reader);\n"
        "        }\n    }\n    return is_right(&from, header);",
        "            load_value(schema, settings, number, each.tag, &from.reader);\n"
        "        }\n    }\n    return !from.reader.failed;",
        ("tests/power/test_power_cuts.py",),
    ),
    _one(
        "what is passed over is not read, in C",
        _STORE,
        "        read = read_flash(from->p, from->at, bytes, (size_t)piece);",
        "        read = to == NULL || read_flash(from->p, from->at, bytes, (size_t)piece);",
        _FLASH,
    ),
    _one(
        "a record is given up for one wrong read, in C",
        _STORE,
        "    return (examine_once(p, slot, header) && (p->storage.slots[slot].state & SEALED)) ||\n"
        "           examine_once(p, slot, header);",
        "    return examine_once(p, slot, header);",
        ("tests/power/test_power_cuts.py",),
    ),
    _one(
        "a set that cannot be loaded is in force, in C",
        _STORE,
        "            (settings == NULL || load(p, slot, settings))) {",
        "            (settings == NULL || load(p, slot, settings) || header != NULL)) {",
        _FLASH,
    ),
    _one(
        "after an erase one void record alone has the generation, in C",
        _STORE,
        "    if (!p->storage.holds_set) {\n        put32(header + AT_GENERATION",
        "    if (p->config == NULL) {\n        put32(header + AT_GENERATION",
        _FLASH,
    ),
    _one(
        "null is a stored value, in C",
        _STORE,
        "head->major == PV_SIMPLE && head->argument != PV_NULL;",
        "head->major == PV_SIMPLE;",
        _FLASH,
    ),
    _one(
        "a stored key may be anything, in C",
        _STORE,
        "!pv_read(from, to->key, text.argument) || !pv_is_utf8(to->key, (size_t)text.argument)",
        "!pv_read(from, to->key, text.argument)",
        _FLASH,
    ),
    _one(
        "the last unit programmed stays in memory, in C",
        _STORE,
        "    pv_wipe(p->config->unit, p->config->flash->program_unit);\n",
        "",
        ("tests/stub/test_store.py", "tests/stub/test_wiping.py"),
    ),
    _one(
        "undo leaves the older set in the staged struct, in C",
        _STORE,
        "        pv_wipe(loaded, (size_t)config->schema->settings_size);\n",
        "",
        ("tests/stub/test_store.py", "tests/stub/test_wiping.py"),
    ),
    _one(
        "a start with two fields on one pin is complete, in C",
        _CHECK,
        "    return missing.field != PV_NO_FIELD ? missing : conflict(p, set, states);",
        "    return missing.field != PV_NO_FIELD || set ? missing : conflict(p, set, states);",
        _TALK,
    ),
    _one(
        "undo goes back to a set that lacks what is required, in C",
        _STORE,
        " && pv_judge(p, scratch).field == PV_NO_FIELD) {",
        ") {",
        _FLASH,
    ),
    _one(
        "undo loads over what is staged in parts, in C",
        _STORE,
        "    return is_free ? p->config->staged : p->config->settings;",
        "    return is_free || p->config != NULL ? p->config->staged : p->config->settings;",
        _FLASH,
    ),
    _one(
        "a stored number of another unit is taken, in C",
        _STORE,
        "    if (tag == wanted) {",
        "    if ((tag & 0xFFFF) == (wanted & 0xFFFF)) {",
        _FLASH,
    ),
    _one(
        "a decimal loses the digits that its field no longer has, in C",
        _STORE,
        "        if (size % 10 != 0) {\n            return false;\n        }\n",
        "",
        _FLASH,
    ),
)

_ENGINE = "provision/board/engine.py"
_SLOTS = "provision/board/store.py"
_STAGING = "provision/board/staging.py"
_PY_LINE = "provision/contract/line.py"
_PROFILE = "provision/contract/profile.py"
_PY_MESSAGES = "provision/contract/messages.py"
_SHAPES = "provision/contract/shapes.py"
_PY_VALUES = "provision/settings/values.py"
_WHOLE = "provision/settings/whole.py"
_MODEL = "provision/settings/model.py"
_WIRE = "provision/settings/wire.py"
_EXCHANGE = "provision/link/exchange.py"
_PROCEDURES = "provision/link/procedures.py"
_QUESTIONS = "provision/wizard/questions.py"

_ENGINE_TESTS = ("tests/board/test_engine.py", "tests/board/test_guards.py")
_STORE_TESTS = ("tests/board/test_store.py", "tests/board/test_guards.py")
_LINE_TESTS = ("tests/contract/test_line.py",)
_PROFILE_TESTS = ("tests/contract/test_profile.py",)
_MESSAGE_TESTS = ("tests/contract/test_messages.py",)
_VALUE_TESTS = ("tests/settings/test_values.py",)
_WHOLE_TESTS = ("tests/settings/test_whole.py",)
_WIRE_TESTS = ("tests/settings/test_wire.py", "tests/vectors/test_schemas.py")
_LINK_TESTS = ("tests/link/test_session.py", "tests/link/test_guards.py")
_SECRET_TESTS = ("tests/secrets/test_echoes.py", "tests/link/test_session.py")

_OF_THE_BOARD = (
    _one(
        "what was programmed is not read back, in Python",
        _SLOTS,
        "            if self._examine_once(number).record == record:\n"
        "                self._program(self._seal_at(number, record), _seal(header_crc))\n"
        "                self._slots[number] = slot = self._examine_once(number)\n",
        "            self._program(self._seal_at(number, record), _seal(header_crc))\n"
        "            self._slots[number] = slot = _Slot(record, sealed=True)\n",
        _STORE_TESTS,
    ),
    _one(
        "the seal is programmed before header and payload were read back, in Python",
        _SLOTS,
        "            if self._examine_once(number).record == record:\n",
        "            if record is not None:\n",
        (*_STORE_TESTS, "tests/board/test_power_cuts.py"),
    ),
    _one(
        "the seal is not read back, in Python",
        _SLOTS,
        "                self._slots[number] = slot = self._examine_once(number)\n",
        "                self._slots[number] = slot = _Slot(record, sealed=True)\n",
        _STORE_TESTS,
    ),
    _one(
        "a commit is acknowledged whatever the store did, in Python",
        _ENGINE,
        "        with _storage_refused():\n            self.store.commit(",
        '        with __import__("contextlib").suppress(StorageError):\n'
        "            self.store.commit(",
        _ENGINE_TESTS,
    ),
    _one(
        "generations are not compared, in Python",
        _ENGINE,
        "            key, present = _NAMED_GENERATION[request], self.generation\n",
        "            return\n",
        _ENGINE_TESTS,
    ),
    _one(
        "the token is not stored, in Python",
        _SLOTS,
        "            token=token,\n            schema_digest",
        "            schema_digest",
        _STORE_TESTS,
    ),
    _one(
        "the repeat of a commit is done again, in Python",
        _ENGINE,
        "done = current.is_set and body[CommitKey.TOKEN] == current.token",
        "done = False",
        _ENGINE_TESTS,
    ),
    _one(
        "a record without a seal is not written anew at a start, in Python",
        _SLOTS,
        "            self._settle()\n        self._in_force",
        "            pass\n        self._in_force",
        _STORE_TESTS,
    ),
    _one(
        "the older set is overwritten, in Python",
        _SLOTS,
        "return {self._in_force, self._older()} if self.slot_count > 2 else {self._in_force}",
        "return {self._in_force}",
        _STORE_TESTS,
    ),
    _one(
        "a start in a trial is not counted, in Python",
        _SLOTS,
        "trial_starts=self.current.trial_starts - 1",
        "trial_starts=self.current.trial_starts",
        _STORE_TESTS,
    ),
    _one(
        "a set that was refused may be in force at the next start, in Python",
        _SLOTS,
        "            self._write(slot, self._void)\n",
        "",
        _STORE_TESTS,
    ),
    _one(
        "the CRC of a payload is not compared, in Python",
        _SLOTS,
        "        if crc32c(payload) != payload_crc:\n            raise FlashError\n",
        "",
        _STORE_TESTS,
    ),
    _one(
        "a record is given up for one wrong read, in Python",
        _SLOTS,
        "return slot if slot.sealed else self._examine_once(number)",
        "return slot",
        ("tests/power/test_python_board.py",),
    ),
    _one(
        "a generation that wrapped is the oldest, in Python",
        _SLOTS,
        "    return 0 < (one - other) % _NUMBERS < _NUMBERS // 2\n",
        "    return one > other\n",
        _STORE_TESTS,
    ),
    _one(
        "generations go on from 0, in Python",
        _SLOTS,
        "    return newest % (_NUMBERS - 1) + 1\n",
        "    return (newest + 1) % _NUMBERS\n",
        _STORE_TESTS,
    ),
    _one(
        "a tag may be yes, in Python",
        _SLOTS,
        "                type(stored_tag) is int and stored_tag >= 0\n",
        "                stored_tag >= 0\n",
        ("tests/stub/test_store.py",),
    ),
    _one(
        "parts outlive an undo, in Python",
        _ENGINE,
        "        self._staging.forget()  # parts: nothing else may be staged\n",
        "",
        ("tests/stub/test_conversation.py",),
    ),
    _one(
        "the CRC of a header is not compared, in Python",
        _SLOTS,
        "magic == _MAGIC and crc32c(fields) == header_crc and kind",
        "magic == _MAGIC and kind",
        _STORE_TESTS,
    ),
    _one(
        "what is staged outlives ten minutes without a request, in Python",
        _ENGINE,
        "        if now_ms - self._answered >= STAGED_LIFETIME_MS:\n",
        "        if now_ms < 0:\n",
        _ENGINE_TESTS,
    ),
    _one(
        "discard drops nothing, in Python",
        _ENGINE,
        "    def _discard(self, _body: Body) -> Body:\n        self._staging.forget()\n",
        "    def _discard(self, _body: Body) -> Body:\n",
        _ENGINE_TESTS,
    ),
    _one(
        "a set that differs stays staged, in Python",
        _ENGINE,
        "            self._staging.forget()\n            raise Refused(Refusal.SET_DIFFERS)",
        "            raise Refused(Refusal.SET_DIFFERS)",
        _ENGINE_TESTS,
    ),
    _one(
        "a commit's count is not compared, in Python",
        _ENGINE,
        "        if (body[CommitKey.COUNT], body[CommitKey.DIGEST]) != expected:\n",
        "        if body[CommitKey.DIGEST] != expected[1]:\n",
        _ENGINE_TESTS,
    ),
    _one(
        "the rules of the whole are not asked at a commit, in Python",
        _ENGINE,
        "        if fault is not None:\n            raise Refused(fault.code",
        "        if fault is None and False:\n            raise Refused(fault.code",
        _ENGINE_TESTS,
    ),
    _one(
        "nobody need be present to change a set, in Python",
        _ENGINE,
        "            or self._now < self._present_until\n",
        "            or self._now >= 0\n",
        _ENGINE_TESTS,
    ),
    _one(
        "a request is done whatever the state, in Python",
        _ENGINE,
        "if not legal(row.type, self.store_state, bool(self.staged)):",
        "if row is None:",
        _ENGINE_TESTS,
    ),
    _one(
        "what the board does not offer is done, in Python",
        _ENGINE,
        "        if row.needs is not None and row.needs not in self.capabilities:\n",
        "        if row is None:\n",
        _ENGINE_TESTS,
    ),
    _one(
        "a part may reach beyond the total, in Python",
        _ENGINE,
        "        if offset + len(part) > total:\n",
        "        if total < 0:\n",
        _ENGINE_TESTS,
    ),
    _one(
        "a total may be longer than the field, in Python",
        _STAGING,
        "        if total > limits(setting.field)[1]:\n",
        "        if total < 0:\n",
        _ENGINE_TESTS,
    ),
    _one(
        "a part may leave a gap, in Python",
        _STAGING,
        "        elif offset != held:\n",
        "        elif offset < held:\n",
        _ENGINE_TESTS,
    ),
    _one(
        "a value that is staged is not checked, in Python",
        _STAGING,
        "        if value is not None:\n            self._check(setting, value)\n",
        "",
        _ENGINE_TESTS,
    ),
    _one(
        "a value that came in parts is not checked, in Python",
        _STAGING,
        "        self._check(setting, value)\n        return value\n",
        "        return value\n",
        _ENGINE_TESTS,
    ),
    _one(
        "parts that are dropped are not wiped, in Python",
        _STAGING,
        "            self._parts.held[:] = bytes(len(self._parts.held))"
        "  # it may be a secret (clause 10)\n",
        "",
        _ENGINE_TESTS,
    ),
    _one(
        "a trial's time never ends, in Python",
        _ENGINE,
        "        if self.store.current.on_trial and now_ms >= self._trial_ends:\n",
        "        if self.store.current.on_trial and now_ms < 0:\n",
        _ENGINE_TESTS,
    ),
    _one(
        "a secret that is put into use shows in a repr, in Python",
        _ENGINE,
        "    values: Mapping[str, Value] = field(repr=False)\n",
        "    values: Mapping[str, Value]\n",
        _ENGINE_TESTS,
    ),
    _one(
        "a secret that is stored shows in a repr, in Python",
        _SLOTS,
        '    payload: bytes = field(default=b"", repr=False)\n',
        '    payload: bytes = field(default=b"")\n',
        (*_ENGINE_TESTS, *_STORE_TESTS),
    ),
    _one(
        "a secret that comes in parts shows in a repr, in Python",
        _STAGING,
        "field(default_factory=bytearray, repr=False)",
        "field(default_factory=bytearray)",
        _ENGINE_TESTS,
    ),
)

_OF_THE_CONTRACT = (
    _one(
        "a byte behind an item is accepted, in Python",
        _PROFILE,
        '    if at < len(data):\n        raise ProfileError(f"{len(data) - at} bytes',
        '    if at > len(data):\n        raise ProfileError(f"{len(data) - at} bytes',
        _PROFILE_TESTS,
    ),
    _one(
        "an integer need not be in the shortest form, in Python",
        _PROFILE,
        "    if argument < shorter:\n",
        "    if shorter < 0:\n",
        _PROFILE_TESTS,
    ),
    _one(
        "a map may have a key twice, in Python",
        _PROFILE,
        "    if key <= last_key:\n",
        "    if key < last_key:\n",
        _PROFILE_TESTS,
    ),
    _one(
        "the keys of a map may be in any order, in Python",
        _PROFILE,
        "    if key <= last_key:\n",
        "    if key == last_key:\n",
        _PROFILE_TESTS,
    ),
    _one(
        "the key of a map may be a text, in Python",
        _PROFILE,
        "    if major != _UNSIGNED:\n",
        "    if major > _MAP:\n",
        _PROFILE_TESTS,
    ),
    _one(
        "a text need not be UTF-8, in Python",
        _PROFILE,
        "        return cast(Item, cbor2.loads(data))\n",
        '        return cast(Item, cbor2.loads(data, str_errors="replace"))\n',
        _PROFILE_TESTS,
    ),
    _one(
        "an item may be nested one deeper than its limit, in Python",
        _PROFILE,
        "            if len(enclosing) >= max_depth:\n",
        "            if len(enclosing) > max_depth:\n",
        _PROFILE_TESTS,
    ),
    _one(
        "tags, floating point and any simple value are taken, in Python",
        _PROFILE,
        "    if major >= _TAG and head not in _SIMPLE_VALUES:\n",
        "    if major > 7:\n",
        _PROFILE_TESTS,
    ),
    _one(
        "a negative integer may be below -2^31, in Python",
        _PROFILE,
        "        elif major == _NEGATIVE and argument > -1 - _LEAST_INTEGER:\n",
        "        elif major == _NEGATIVE and argument < 0:\n",
        _PROFILE_TESTS,
    ),
    _one(
        "CHECK is not compared, in Python",
        _PY_LINE,
        "        if is_long or line[-_CHECK_LENGTH:] != _check(body):\n",
        "        if is_long:\n",
        _LINE_TESTS,
    ),
    _one(
        "of CHECK only the first half is compared, in Python",
        _PY_LINE,
        "        if is_long or line[-_CHECK_LENGTH:] != _check(body):\n",
        "        if is_long or line[-_CHECK_LENGTH:-4] != _check(body)[:4]:\n",
        _LINE_TESTS,
    ),
    _one(
        "pad bits are not looked at, in Python",
        _PY_LINE,
        '        if base64.urlsafe_b64encode(item).rstrip(b"=") != body:\n',
        '        if base64.urlsafe_b64encode(item).rstrip(b"=")[:-1] != body[:-1]:\n',
        _LINE_TESTS,
    ),
    _one(
        "a line one character too long is taken, in Python",
        _PY_LINE,
        "        is_long = len(line) > self._longest_frame\n",
        "        is_long = len(line) > self._longest_frame + 1\n",
        _LINE_TESTS,
    ),
    _one(
        "a line without end is held without bounds, in Python",
        _PY_LINE,
        "        self._held = lines.pop()[: _LONGEST_LOG + 1]\n",
        "        self._held = lines.pop()\n",
        _LINE_TESTS,
    ),
    _one(
        "what follows a tilde is left in log text, in Python",
        _PY_LINE,
        'kept, tilde, _ = blank(raw[:_LONGEST_LOG]).partition(b"~")',
        'kept, tilde, _ = blank(raw[:_LONGEST_LOG]), b"", b""',
        _LINE_TESTS,
    ),
    _one(
        "escape sequences are left in log text, in Python",
        _PY_LINE,
        '        kept = ESCAPE.sub(b"", kept)\n',
        "        pass\n",
        _LINE_TESTS,
    ),
    _one(
        "characters that turn the writing are left in log text, in Python",
        _PY_LINE,
        '            return "".join(c if c.isprintable() else "?" for c in text)\n',
        "            return text\n",
        _LINE_TESTS,
    ),
    _one(
        "the item of a frame shows in a repr, in Python",
        _PY_LINE,
        "    item: bytes = field(repr=False)  #",
        "    item: bytes  #",
        _LINE_TESTS,
    ),
    _one(
        "a key that is not known is passed over, in Python",
        _PY_MESSAGES,
        "            if row.is_request and key < SKIPPABLE_FROM:\n",
        "            if row.is_request and key < 0:\n",
        _MESSAGE_TESTS,
    ),
    _one(
        "a key that must be there may lack, in Python",
        _PY_MESSAGES,
        "        if known.required and key not in body:\n",
        "        if known.required and key < 0:\n",
        _MESSAGE_TESTS,
    ),
    _one(
        "a value may come whole and in parts at once, in Python",
        _PY_MESSAGES,
        "        if len(present) != 1 or not",
        "        if len(present) < 1 or not",
        _MESSAGE_TESTS,
    ),
    _one(
        "the body of a message shows in a repr, in Python",
        _PY_MESSAGES,
        "field(default_factory=dict, repr=False)",
        "field(default_factory=dict)",
        _MESSAGE_TESTS,
    ),
    _one(
        "a number may be out of the table's bounds, in Python",
        _SHAPES,
        "        if not self.min <= item <= self.max:\n",
        "        if not isinstance(item, int):\n",
        _MESSAGE_TESTS,
    ),
    _one(
        "true counts as 1 in a message, in Python",
        _SHAPES,
        "        if not isinstance(item, int) or isinstance(item, bool):\n",
        "        if not isinstance(item, int):\n",
        (*_MESSAGE_TESTS, "tests/contract/test_cddl.py"),
    ),
)

_OF_SETTINGS = (
    _one(
        "a number may be out of its field's limits, in Python",
        _PY_VALUES,
        "    return None if least <= value <= most else Refusal.RANGE\n",
        "    return None if least <= most else Refusal.RANGE\n",
        _VALUE_TESTS,
    ),
    _one(
        "a text may have any length, in Python",
        _PY_VALUES,
        "    if not least <= length <= most:\n        return Refusal.LENGTH\n    if _LONE",
        "    if _LONE",
        _VALUE_TESTS,
    ),
    _one(
        "bytes may have any length, in Python",
        _PY_VALUES,
        "    fits = least <= len(value) <= most\n",
        "    fits = least <= most\n",
        _VALUE_TESTS,
    ),
    _one(
        "the characters that a field admits are not asked, in Python",
        _PY_VALUES,
        "    if not characters.fullmatch(value):\n",
        "    if characters is None:\n",
        _VALUE_TESTS,
    ),
    _one(
        "a key of 64 digits need not be hexadecimal, in Python",
        _PY_VALUES,
        "        return None if _HEX_DIGITS.fullmatch(value) else Refusal.FORM\n",
        "        return None\n",
        _VALUE_TESTS,
    ),
    _one(
        "true counts as 1 in a setting, in Python",
        _PY_VALUES,
        "    if type(value) is not VALUE_TYPES[field.kind]:\n",
        "    if not isinstance(value, VALUE_TYPES[field.kind]):\n",
        _VALUE_TESTS,
    ),
    _one(
        "a pin that the board needs for itself is given away, in Python",
        _PY_VALUES,
        "    if pin.taken is not None:\n        return Refusal.PIN_TAKEN\n",
        "",
        _VALUE_TESTS,
    ),
    _one(
        "a pin need not have what its field needs, in Python",
        _PY_VALUES,
        "    return None if field.needs & pin.abilities == field.needs else Refusal.PIN_UNFIT\n",
        "    return None\n",
        _VALUE_TESTS,
    ),
    _one(
        "a secret is shown like any value, in Python",
        _PY_VALUES,
        '    if field.is_secret:\n        raise ValueError("a secret is never shown")\n',
        "",
        _VALUE_TESTS,
    ),
    _one(
        "two fields may have one pin, in Python",
        _WHOLE,
        "            if values[later.key] == values[earlier.key] and not both_share:\n",
        "            if later is earlier and not both_share:\n",
        _WHOLE_TESTS,
    ),
    _one(
        "two fields may have one pin if either shares it, in Python",
        _WHOLE,
        "both_share = later.field.shares and earlier.field.shares",
        "both_share = later.field.shares or earlier.field.shares",
        _WHOLE_TESTS,
    ),
    _one(
        "a network's name may come without its passphrase, in Python",
        _WHOLE,
        "        elif network in staged and setting.key not in staged:\n",
        "        elif network is None:\n",
        _WHOLE_TESTS,
    ),
    _one(
        "a set may lack what is required, in Python",
        _WHOLE,
        "        if lacks and schema.needs_value(setting.field):\n",
        "        if lacks and not setting:\n",
        _WHOLE_TESTS,
    ),
    _one(
        "a default under a caution is in force by itself, in Python",
        _MODEL,
        "        return None if self.only_proposes(declared) else declared.default\n",
        "        return declared.default\n",
        _WHOLE_TESTS,
    ),
    _one(
        "a pin's caution says nothing of the default that it is, in Python",
        _MODEL,
        " or (pin is not None and pin.caution is not None)\n",
        "\n",
        _WHOLE_TESTS,
    ),
    _one(
        "a default under a caution may stay without a value, in Python",
        _MODEL,
        "        return declared.required or self.only_proposes(declared)\n",
        "        return declared.required\n",
        _WHOLE_TESTS,
    ),
    _one(
        "a start with two fields on one pin is complete, in Python",
        _WHOLE,
        "    return next(pin_conflicts(schema, stored), None)\n",
        "    return None\n",
        (*_WHOLE_TESTS, "tests/vectors/test_conversations.py"),
    ),
    _one(
        "a default under a caution is in force by itself, in the generated C",
        "provision/author/c_code.py",
        '            "PV_HAS_DEFAULT": self.schema.default_in_force(field) is not None,\n',
        '            "PV_HAS_DEFAULT": field.default is not None,\n',
        ("tests/author/test_c_code.py", "tests/vectors/test_conversations.py"),
    ),
    _one(
        "a default under a caution may stay without a value, in the generated C",
        "provision/author/c_code.py",
        '            "PV_REQUIRED": self.schema.needs_value(field),\n',
        '            "PV_REQUIRED": field.required,\n',
        ("tests/author/test_c_code.py", "tests/vectors/test_conversations.py"),
    ),
    _one(
        "a condition holds whatever the value it names, in Python",
        _WHOLE,
        "    return not condition.values or values[key] in condition.values\n",
        "    return True\n",
        _WHOLE_TESTS,
    ),
    _one(
        "a condition on a field that does not apply can hold, in Python",
        _WHOLE,
        "    if key not in found or key not in values:\n",
        "    if key not in values:\n",
        _WHOLE_TESTS,
    ),
    _one(
        "a byte behind the deflated schema is accepted, in Python",
        _WIRE,
        "not inflate.eof or inflate.unused_data or _digest",
        "not inflate.eof or _digest",
        _WIRE_TESTS,
    ),
    _one(
        "a schema may have any number of fields, in Python",
        _WIRE,
        "    if count > MAX_FIELDS:\n",
        "    if count < 0:\n",
        _WIRE_TESTS,
    ),
    _one(
        "a schema may be nested as deeply as it likes, in Python",
        _WIRE,
        "        item = decode(inflated, MAX_SCHEMA_DEPTH)\n",
        "        item = decode(inflated, 1000)\n",
        _WIRE_TESTS,
    ),
    _one(
        "a default is not checked, in Python",
        _WIRE,
        "            _check_default(schema, section, field)\n",
        "",
        _WIRE_TESTS,
    ),
    _one(
        "a secret may have a default, in Python",
        _WIRE,
        "    if field.is_secret and field.default is not None:\n",
        "    if field.is_secret and field.default is field:\n",
        _WIRE_TESTS,
    ),
)

_OF_THE_HOST = (
    _one(
        "the id of a reply is not compared, in Python",
        _EXCHANGE,
        "        pending = self._sent.get(message.id)\n        if pending is None:  # a second",
        "        pending = next(iter(self._sent.values()), None)\n"
        "        if pending is None:  # a second",
        _LINK_TESTS,
    ),
    _one(
        "a reply of another version is accepted, in Python",
        _EXCHANGE,
        "    if message.version != PROTOCOL_VERSION and message.type not in ageless:\n",
        "    if message.version == 0 and message.type not in ageless:\n",
        _LINK_TESTS,
    ),
    _one(
        "the body of a reply is not checked, in Python",
        _EXCHANGE,
        "        check_body(message)\n    except MessageError as error:",
        "        pass\n    except MessageError as error:",
        _LINK_TESTS,
    ),
    _one(
        "every host begins with the same id, so that stale replies are accepted, in Python",
        "provision/link/connection.py",
        "first_id=randbelow(MAX_ID + 1)",
        "first_id=randbelow(1)",
        ("tests/link/test_guards.py", "tests/link/test_connection.py"),
    ),
    _one(
        "lines that fail alike are another reader's, in Python",
        _EXCHANGE,
        "        return None if 2 * len(set(last)) > len(last) else ",
        "        return None if last else ",
        ("tests/link/test_session.py",),
    ),
    _one(
        "every line with a tilde before it counts as a damaged frame, in Python",
        _EXCHANGE,
        "                if event.reason.may_be_a_frame:\n",
        "                if event.reason:\n",
        ("tests/link/test_session.py",),
    ),
    _one(
        "known secrets are left in log text, in Python",
        _EXCHANGE,
        "        return self.secrets.blank(line)\n",
        "        return line\n",
        ("tests/secrets/test_plain_logs.py",),
    ),
    _one(
        "what goes on in the next line is not known as a secret, in Python",
        "provision/link/known_secrets.py",
        "        self._carried = text[0][-_CARRIED:]\n",
        "",
        ("tests/link/test_known_secrets.py",),
    ),
    _one(
        "a credit below one line is believed, in Python",
        _EXCHANGE,
        "        if credit < line + LINE_OVERHEAD:\n",
        "        if credit < 0:\n",
        _LINK_TESTS,
    ),
    _one(
        "requests follow one that stores, in Python",
        _EXCHANGE,
        "        return not self.limits.receives_while_storing and any(\n",
        "        return self._byte_time < 0 and any(\n",
        _LINK_TESTS,
    ),
    _one(
        "log text is shown while secrets may be echoed, in Python",
        _EXCHANGE,
        "        if not self._may_echo:\n",
        "        if text:\n",
        _SECRET_TESTS,
    ),
    _one(
        "the body of a request shows in a repr, in Python",
        _EXCHANGE,
        "field(default_factory=dict, repr=False)  # may hold a secret",
        "field(default_factory=dict)",
        _LINK_TESTS,
    ),
    _one(
        "what came of a request shows in a repr, in Python",
        _EXCHANGE,
        "    result: Body | Refused | Lost = field(repr=False)\n",
        "    result: Body | Refused | Lost\n",
        _LINK_TESTS,
    ),
    _one(
        "the line of a request shows in a repr, in Python",
        _EXCHANGE,
        "    line: bytes = field(repr=False)\n",
        "    line: bytes\n",
        _LINK_TESTS,
    ),
    _one(
        "a value that a board holds shows in a repr, in Python",
        "provision/link/replies.py",
        "    value: Item = field(default=None, repr=False)\n",
        "    value: Item = field(default=None)\n",
        _LINK_TESTS,
    ),
    _one(
        "any board at the port settles what came of a commit, in Python",
        _PROCEDURES,
        "    return Unknown() if unit not in (None, hello.unit) else NotStored()\n",
        "    return NotStored()\n",
        _LINK_TESTS,
    ),
    _one(
        "the token does not tell what came of a commit, in Python",
        _PROCEDURES,
        "    if hello.token == token:\n",
        "    if hello.token is not None:\n",
        _LINK_TESTS,
    ),
    _one(
        "a piece of the schema is taken for another, in Python",
        _PROCEDURES,
        "if body[GetSchemaReplyKey.OFFSET] != offset or len(piece) > span:",
        "if len(piece) > span:",
        _LINK_TESTS,
    ),
    _one(
        "a piece longer than asked for is taken, in Python",
        _PROCEDURES,
        "if body[GetSchemaReplyKey.OFFSET] != offset or len(piece) > span:",
        "if body[GetSchemaReplyKey.OFFSET] != offset:",
        _LINK_TESTS,
    ),
    _one(
        "endless crumbs of schema are asked for, in Python",
        _PROCEDURES,
        "        if asked > _MOST_PIECES:\n",
        "        if asked < 0:\n",
        _LINK_TESTS,
    ),
    _one(
        "values that come twice are taken, in Python",
        _PROCEDURES,
        "            if numbers.setdefault(key, number) != number:\n",
        "            if numbers.setdefault(key, number) is None:\n",
        _LINK_TESTS,
    ),
    _one(
        "what a board says it holds of a value in parts is believed, in Python",
        _PROCEDURES,
        "            if not least <= held <= len(data):\n",
        "            if held < 0:\n",
        _LINK_TESTS,
    ),
)

_SHOWN_TESTS = ("tests/wizard/test_show.py", "tests/wizard/test_flow.py")

_OF_THE_DIALOG = (
    _one(
        "control characters of a board reach the screen, in Python",
        "provision/wizard/cleaning.py",
        'c if c.isprintable() else "?" for c in',
        "c for c in",
        ("tests/wizard/test_cleaning.py",),
    ),
    _one(
        "a text of a board reaches the screen as it is, in Python",
        "provision/wizard/cleaning.py",
        "    shown = map_texts(schema, lambda _, text: printable(text))\n",
        "    shown = schema\n",
        ("tests/wizard/test_cleaning.py",),
    ),
    _one(
        "a text of a board may be as long as it likes, in Python",
        "provision/wizard/cleaning.py",
        "    return line if len(line) <= limit else line[: limit - len(_CUT)] + _CUT\n",
        "    return line if len(line) <= limit else text\n",
        ("tests/wizard/test_cleaning.py",),
    ),
    _one(
        "a secret is shown at the review, in Python",
        _QUESTIONS,
        "    if declared.is_secret:\n        return MASK\n    if declared.kind is Kind.BLOB:",
        "    if declared.is_secret:\n        return str(value)\n    if declared.kind is Kind.BLOB:",
        _SHOWN_TESTS,
    ),
    _one(
        "the mask of a secret tells its length, in Python",
        _QUESTIONS,
        "    if declared.is_secret:\n        return MASK\n    if declared.kind is Kind.BLOB:",
        '    if declared.is_secret:\n        return "*" * len(str(value))\n'
        "    if declared.kind is Kind.BLOB:",
        (*_SHOWN_TESTS, "tests/wizard/test_guards.py"),
    ),
    _one(
        "a secret is offered for editing, in Python",
        _QUESTIONS,
        '    if is_opaque(declared):\n        return ""\n    if declared',
        "    if is_opaque(declared):\n        return str(value)\n    if declared",
        (*_SHOWN_TESTS, "tests/wizard/test_guards.py"),
    ),
    _one(
        "an answer shows in a repr, in Python",
        _QUESTIONS,
        "    value: Value = field(repr=False)\n",
        "    value: Value\n",
        (*_SHOWN_TESTS, "tests/wizard/test_answers.py"),
    ),
    _one(
        "a file of answers shows in a repr, in Python",
        "provision/wizard/answers.py",
        "    entries: Mapping[str, Any] = field(repr=False)\n",
        "    entries: Mapping[str, Any]\n",
        ("tests/wizard/test_answers.py",),
    ),
    _one(
        "what a board gives of a secret is shown to programs, in Python",
        "provision/wizard/show.py",
        "    value = None if setting.field.is_secret else held.value\n    if value",
        "    value = held.value\n    if value",
        ("tests/wizard/test_show.py", "tests/wizard/test_guards.py"),
    ),
    _one(
        "what a board gives of a secret is kept, in Python",
        "provision/wizard/conduct.py",
        "    value = None if setting.field.is_secret else cast(",
        "    value = cast(",
        ("tests/wizard/test_show.py", "tests/wizard/test_guards.py"),
    ),
    _one(
        "the terminal echoes what is typed between two questions, in Python",
        "provision/wizard/screen.py",
        "    quiet[3] &= ~termios.ECHO\n",
        "",
        ("tests/wizard/test_guards.py", "tests/wizard/test_terminal.py"),
    ),
    _one(
        "a secret is typed in the clear, in Python",
        "provision/wizard/screen.py",
        "secret=question.field.is_secret and question.field.kind is not Kind.BLOB,",
        "secret=question.field is None,",
        ("tests/wizard/test_dialog.py",),
    ),
)

DETAILED = (
    *_OF_THE_LINE,
    *_OF_ITEMS,
    *_OF_THE_CONVERSATION,
    *_OF_WHOLES,
    *_OF_VALUES,
    *_OF_THE_STORE,
    *_OF_THE_BOARD,
    *_OF_THE_CONTRACT,
    *_OF_SETTINGS,
    *_OF_THE_HOST,
    *_OF_THE_DIALOG,
)
