/* SPDX-License-Identifier: MIT */
/*
 * What is durable: records in slots of flash. STORAGE.md says which bits, and why these rules.
 *
 * The terms used below. A record is *valid* when its header and its payload are right by their
 * CRCs and the payload is made of entries, and *sealed* when its seal is right too. A unit of flash whose program or erase was cut
 * short by a power loss is *torn*: it may read differently at every start. So a seal that reads
 * right today may be gone tomorrow; but it was begun only after header and payload had been read
 * back, and those stay.
 */
#include "pv_internal.h"

#include <string.h>

/* ------------------------------------------------------------------ the format */

enum {
    AT_MAGIC = 0,
    AT_GENERATION = 4,
    AT_SET_NUMBER = 8,
    AT_KIND = 12,
    AT_STARTS_LEFT = 13,
    AT_TOKEN = 16,
    AT_DIGEST = 24,
    AT_LENGTH = 32,
    AT_PAYLOAD_CRC = 36,
    AT_HEADER_CRC = 44,
    HEADER_SIZE = 48,
    SEAL_SIZE = 8
};

enum { KIND_SET = 1, KIND_VOID = 2 };

enum {
    CHUNK = 32,       /* bytes of stack for whatever streams */
    LONGEST_CHARACTER = 4, /* bytes, in UTF-8 */
    TRIAL_STARTS = 3, /* the third start ends a trial badly [5.4] */
    NO_SLOT = 0xFF
};

/* What is known of a slot: bits of pv_slot.state. */
enum {
    VALID = 1,
    SEALED = 2,
    SET = 4,       /* valid, and a set */
    CONFIRMED = 8, /* a set that is not on trial */
    WORN = 16,     /* it could not be written: the last to be taken again */
    SERVES = 32    /* a set that is complete under this firmware [9.6] */
};

static const uint8_t magic[4] = {'P', 'V', 'R', '1'};

static uint32_t get32(const uint8_t *from)
{
    return (uint32_t)from[0] | (uint32_t)from[1] << 8 | (uint32_t)from[2] << 16 |
           (uint32_t)from[3] << 24;
}

static void put32(uint8_t *to, uint32_t value)
{
    to[0] = (uint8_t)value;
    to[1] = (uint8_t)(value >> 8);
    to[2] = (uint8_t)(value >> 16);
    to[3] = (uint8_t)(value >> 24);
}

/* Generations and set numbers are serial numbers (RFC 1982) that wrap from 2^32-1 to 1: of two of
 * them the newer one is less than 2^31 ahead. 0 is older than all: nothing was stored. */
static bool is_newer(uint32_t one, uint32_t other)
{
    return one != 0 && (other == 0 || one - other - 1 < INT32_MAX);
}

static uint32_t number_after(uint32_t number)
{
    return number == UINT32_MAX ? 1 : number + 1;
}

static uint32_t crc_of(const uint8_t *bytes, size_t size)
{
    return ~pv_crc(PV_CRC_START, bytes, size);
}

static void make_seal(const uint8_t *header, uint8_t seal[SEAL_SIZE])
{
    memcpy(seal, "SEAL", 4);
    put32(seal + 4, ~get32(header + AT_HEADER_CRC));
}

/* A set's header as far as the caller does not say otherwise; the payload's length and CRC are 0,
 * which is right for a payload of no bytes. */
static void new_header(const pv *p, uint8_t header[HEADER_SIZE], uint8_t kind)
{
    memset(header, 0, HEADER_SIZE);
    memcpy(header + AT_MAGIC, magic, sizeof magic);
    memcpy(header + AT_DIGEST, p->config->schema->digest, 8);
    header[AT_KIND] = kind;
}

/* ------------------------------------------------------------------ where things lie */

static uint32_t padded(const pv_flash *flash, uint32_t size)
{
    uint32_t unit = flash->program_unit;
    return (size + unit - 1) / unit * unit;
}

static uint32_t header_at(const pv_flash *flash, uint8_t slot)
{
    return slot * flash->slot_size;
}

static uint32_t payload_at(const pv_flash *flash, uint8_t slot)
{
    return header_at(flash, slot) + padded(flash, HEADER_SIZE);
}

static uint32_t seal_at(const pv_flash *flash, uint8_t slot, uint32_t length)
{
    return payload_at(flash, slot) + padded(flash, length);
}

/* The longest payload that a slot holds, header and seal being there too. 0: not even those. */
static uint32_t room(const pv_flash *flash)
{
    uint32_t rest = padded(flash, HEADER_SIZE) + padded(flash, SEAL_SIZE);
    return flash->slot_size > rest ? flash->slot_size - rest : 0;
}

static bool read_flash(const pv *p, uint32_t at, void *to, size_t size)
{
    return p->config->flash->read(p->config->context, at, to, size) == 0;
}

/* ------------------------------------------------------------------ reading */

/* The payload of a record as something to decode, or to copy. Every byte of it is read, also what is
 * passed over, and goes through the CRC: what was made of it counts only once is_right() says so. */
typedef struct payload_reader {
    pv_reader reader;
    const pv *p;
    uint32_t at;
    uint32_t crc;
} payload_reader;

static bool read_payload(pv_reader *self, void *to, uint32_t size)
{
    payload_reader *from = (payload_reader *)(void *)self;
    uint8_t chunk[CHUNK];
    bool read = true;
    while (read && size > 0) {
        uint32_t piece = to == NULL && size > CHUNK ? CHUNK : size;
        uint8_t *bytes = to;
        if (to == NULL) {
            bytes = chunk;
        }
        read = read_flash(from->p, from->at, bytes, (size_t)piece);
        if (read) {
            from->crc = pv_crc(from->crc, bytes, (size_t)piece);
        }
        from->at += piece;
        size -= piece;
    }
    pv_wipe(chunk, sizeof chunk);
    return read;
}

static void open_payload(const pv *p, uint8_t slot, const uint8_t header[HEADER_SIZE],
                         payload_reader *from)
{
    memset(from, 0, sizeof *from);
    from->reader.read = read_payload;
    from->reader.left = get32(header + AT_LENGTH);
    from->p = p;
    from->at = payload_at(p->config->flash, slot);
    from->crc = PV_CRC_START;
}

/* Whether the payload was read to its end, and is the one that the header was made for. */
static bool is_right(const payload_reader *from, const uint8_t header[HEADER_SIZE])
{
    return !from->reader.failed && from->reader.left == 0 &&
           ~from->crc == get32(header + AT_PAYLOAD_CRC);
}

/* Hands the payload of a record on, in chunks. False if it could not be read. */
static bool stream_payload(const pv *p, uint8_t slot, const uint8_t header[HEADER_SIZE],
                           pv_sink *to)
{
    uint8_t chunk[CHUNK];
    payload_reader from;
    open_payload(p, slot, header, &from);
    while (from.reader.left > 0) { /* none is left once reading failed */
        uint32_t size = from.reader.left < CHUNK ? from.reader.left : CHUNK;
        if (pv_read(&from.reader, chunk, size)) {
            to->take(to, chunk, (size_t)size);
        }
    }
    pv_wipe(chunk, sizeof chunk);
    return is_right(&from, header);
}

/* Passes over so many bytes of text. False if they are no UTF-8. */
static bool pass_text(pv_reader *from, uint32_t size)
{
    uint8_t chunk[CHUNK];
    uint32_t held = 0;
    bool right = true;
    while (right && size + held > 0) {
        const uint8_t *at = chunk, *end;
        uint32_t piece = size < CHUNK - held ? size : CHUNK - held;
        right = pv_read(from, chunk + held, piece);
        size -= piece;
        end = chunk + held + piece;
        /* Up to the end, or to where a character may go on in what was not read yet. */
        while (right && at < end && (size == 0 || end - at >= LONGEST_CHARACTER)) {
            right = pv_utf8_next(&at, end) != PV_NO_CHARACTER;
        }
        held = (uint32_t)(end - at);
        memmove(chunk, at, (size_t)held);
    }
    pv_wipe(chunk, sizeof chunk);
    return right;
}

/* An entry of a payload, up to its value. */
typedef struct entry {
    uint8_t key[PV_MAX_KEY];
    uint32_t key_size; /* of one larger than `key`, which is of no field of ours, nothing is there */
    uint32_t tag;
} entry;

/* Reads the next entry up to its value. False for what is none. */
static bool next_entry(pv_reader *from, entry *to)
{
    pv_head array, text, tag;
    if (!pv_read_head(from, &array) || array.major != PV_ARRAY || array.argument != 3 ||
        !pv_read_head(from, &text) || text.major != PV_TEXT) {
        return false;
    }
    to->key_size = text.argument;
    if (text.argument <= sizeof to->key
            ? !pv_read(from, to->key, text.argument) || !pv_is_utf8(to->key, (size_t)text.argument)
            : !pass_text(from, text.argument)) {
        return false;
    }
    if (!pv_read_head(from, &tag) || tag.major != PV_UINT) {
        return false;
    }
    to->tag = tag.argument;
    return true;
}

/* Passes over the value of an entry: a number, text, bytes, or yes-no. False for another. */
static bool pass_value(pv_reader *from, pv_head *head)
{
    if (!pv_read_head(from, head)) {
        return false;
    }
    switch (head->major) {
    case PV_UINT:
    case PV_NEGATIVE:
        return true;
    case PV_TEXT:
        return pass_text(from, head->argument);
    case PV_BYTES:
        return pv_read(from, NULL, head->argument);
    default:
        return head->major == PV_SIMPLE && head->argument != PV_NULL;
    }
}

/* Whether a payload is entries and nothing else. One with a right CRC that is not was written by
 * other firmware, and can never be in force. */
static bool is_entries(pv_reader *from)
{
    entry each;
    pv_head value;
    while (from->left > 0) {
        if (!next_entry(from, &each) || !pass_value(from, &value)) {
            return false;
        }
    }
    return true;
}

static bool read_header_once(const pv *p, uint8_t slot, uint8_t header[HEADER_SIZE])
{
    const pv_flash *flash = p->config->flash;
    return read_flash(p, header_at(flash, slot), header, HEADER_SIZE) &&
           memcmp(header + AT_MAGIC, magic, sizeof magic) == 0 &&
           get32(header + AT_HEADER_CRC) == crc_of(header, AT_HEADER_CRC) &&
           (header[AT_KIND] == KIND_SET || header[AT_KIND] == KIND_VOID) &&
           get32(header + AT_LENGTH) <= room(flash);
}

/* Reads a header. False for one that cannot be read or is none; then nothing in it may be used.
 * What does not read right is read again before a record is given up, here and below. */
static bool read_header(const pv *p, uint8_t slot, uint8_t header[HEADER_SIZE])
{
    return read_header_once(p, slot, header) || read_header_once(p, slot, header);
}

static bool examine_once(pv *p, uint8_t slot, uint8_t header[HEADER_SIZE])
{
    pv_slot *known = &p->storage.slots[slot];
    payload_reader from;
    uint8_t right[SEAL_SIZE], seal[SEAL_SIZE];

    known->state &= WORN | SERVES;
    if (!read_header(p, slot, header)) {
        return false;
    }
    /* The numbers are used up even where the payload turns out to be unreadable. */
    known->generation = get32(header + AT_GENERATION);
    known->set_number = get32(header + AT_SET_NUMBER);
    open_payload(p, slot, header, &from);
    if (!is_entries(&from.reader) || !is_right(&from, header)) {
        return false;
    }
    known->state |= VALID;
    if (header[AT_KIND] == KIND_SET) {
        known->state |= SET;
        if (header[AT_STARTS_LEFT] == 0) {
            known->state |= CONFIRMED;
        }
    }
    make_seal(header, right);
    if (read_flash(p, seal_at(p->config->flash, slot, get32(header + AT_LENGTH)), seal,
                   SEAL_SIZE) &&
        memcmp(seal, right, SEAL_SIZE) == 0) {
        known->state |= SEALED;
    }
    return true;
}

/* Reads a slot's record: its header, and into the slot's state whether it is valid and sealed.
 * Returns whether it is valid. */
static bool examine(pv *p, uint8_t slot, uint8_t header[HEADER_SIZE])
{
    return (examine_once(p, slot, header) && (p->storage.slots[slot].state & SEALED)) ||
           examine_once(p, slot, header);
}

/* ------------------------------------------------------------------ choosing slots */

/* Several slots are a set of bits. */
static uint8_t bit(uint8_t slot)
{
    return (uint8_t)(slot == NO_SLOT ? 0u : 1u << slot);
}

static uint8_t all_slots(const pv *p)
{
    return (uint8_t)((1u << p->config->flash->slot_count) - 1u);
}

/* The slots whose state has all of these flags. */
static uint8_t having(const pv *p, uint8_t flags)
{
    uint8_t found = 0;
    for (uint8_t slot = 0; slot < p->config->flash->slot_count; slot++) {
        if ((p->storage.slots[slot].state & flags) == flags) {
            found |= bit(slot);
        }
    }
    return found;
}

/* The valid ones whose generation is newer than this. */
static uint8_t above(const pv *p, uint32_t generation)
{
    uint8_t found = 0;
    for (uint8_t slot = 0; slot < p->config->flash->slot_count; slot++) {
        if (is_newer(p->storage.slots[slot].generation, generation)) {
            found |= bit(slot);
        }
    }
    return found & having(p, VALID);
}

static uint8_t oldest_of(const pv *p, uint8_t among)
{
    uint8_t best = NO_SLOT;
    for (uint8_t slot = 0; slot < p->config->flash->slot_count; slot++) {
        if ((among & bit(slot)) &&
            (best == NO_SLOT || is_newer(p->storage.slots[best].generation,
                                         p->storage.slots[slot].generation))) {
            best = slot;
        }
    }
    return best;
}

static uint8_t newest_of(const pv *p, uint8_t among)
{
    uint8_t best = NO_SLOT;
    for (uint8_t slot = 0; slot < p->config->flash->slot_count; slot++) {
        if ((among & bit(slot)) &&
            (best == NO_SLOT || is_newer(p->storage.slots[slot].generation,
                                         p->storage.slots[best].generation))) {
            best = slot;
        }
    }
    return best;
}

/* The set to which a trial that ends badly goes back. */
static uint8_t confirmed(const pv *p)
{
    return newest_of(p, having(p, VALID | SET | CONFIRMED));
}

/* The set to which undo goes back: the newest that is not the same commit. */
static uint8_t older(const pv *p)
{
    uint8_t others = 0;
    if (p->storage.starts_left > 0) {
        return confirmed(p);
    }
    for (uint8_t slot = 0; slot < p->config->flash->slot_count; slot++) {
        if (p->storage.holds_set && p->storage.slots[slot].set_number != p->storage.set_number) {
            others |= bit(slot);
        }
    }
    return newest_of(p, others & having(p, VALID | SET));
}

/* What no ordinary write takes: the record in force, and what undo or a bad end of the trial needs.
 * Two slots cannot keep the latter. */
static uint8_t kept(const pv *p)
{
    uint8_t keep = bit(p->storage.slot);
    if (p->config->flash->slot_count > 2) {
        keep |= bit(older(p));
    }
    return keep;
}

/* The slot to write next: one that holds nothing, else the oldest, so that the slots wear evenly.
 */
static uint8_t pick(const pv *p, uint8_t keep)
{
    uint8_t open = all_slots(p) & (uint8_t)~keep;
    uint8_t sound = open & (uint8_t)~having(p, WORN);
    uint8_t blank;
    if (sound != 0) {
        open = sound;
    }
    blank = open & (uint8_t)~having(p, VALID);
    return oldest_of(p, blank != 0 ? blank : open);
}

/* ------------------------------------------------------------------ writing */

/* Programs what it takes, one unit after the other, and reads each back. */
typedef struct writer {
    pv_sink sink;
    const pv *p;
    uint32_t at; /* of the unit that fills */
    uint16_t fill;
    bool failed;
} writer;

/* Whether flash holds these bytes; NULL: whether it is erased. */
static bool holds(const pv *p, uint32_t at, const uint8_t *expected, uint32_t size)
{
    uint8_t chunk[CHUNK];
    bool same = true;
    for (uint32_t done = 0; same && done < size; done += CHUNK) {
        size_t piece = CHUNK;
        if (size - done < CHUNK) {
            piece = (size_t)(size - done);
        }
        same = read_flash(p, at + done, chunk, piece);
        for (size_t i = 0; same && i < piece; i++) {
            same = chunk[i] == (expected == NULL ? 0xFF : expected[done + i]);
        }
    }
    pv_wipe(chunk, sizeof chunk);
    return same;
}

static void write_bytes(pv_sink *self, const uint8_t *bytes, size_t size)
{
    writer *to = (writer *)(void *)self;
    const pv_config *config = to->p->config;
    uint16_t unit = config->flash->program_unit;
    for (size_t i = 0; i < size && !to->failed; i++) {
        config->unit[to->fill++] = bytes[i];
        if (to->fill < unit) {
            continue;
        }
        to->failed = config->flash->program(config->context, to->at, config->unit, unit) != 0 ||
                     !holds(to->p, to->at, config->unit, unit);
        to->at += unit;
        to->fill = 0;
    }
}

/* Fills the unit that was begun. */
static void write_padding(writer *to)
{
    static const uint8_t erased = 0xFF;
    while (to->fill > 0 && !to->failed) {
        write_bytes(&to->sink, &erased, 1);
    }
}

static bool erase_slot(const pv *p, uint8_t slot)
{
    const pv_flash *flash = p->config->flash;
    uint32_t at = header_at(flash, slot);
    for (uint32_t done = 0; done < flash->slot_size; done += flash->erase_unit) {
        if (flash->erase(p->config->context, at + done) != 0) {
            return false;
        }
    }
    return holds(p, at, NULL, flash->slot_size);
}

/* The payload of a commit: an entry for every field that has a stored value then. */
static void put_entries(const pv *p, pv_sink *to)
{
    const pv_schema *schema = p->config->schema;
    for (uint16_t number = 0; number < schema->field_count; number++) {
        const pv_field *field = &schema->fields[number];
        const void *settings = pv_resulting(p, number);
        if (settings == NULL) {
            continue;
        }
        pv_put_head(to, PV_ARRAY, 3);
        pv_put_text(to, field->key);
        pv_put_uint(to, field->tag);
        pv_encode_value(to, field, settings);
    }
}

/* Makes the slot hold this record, whose header lacks only its CRC. The payload is that of the
 * record in `source`; NO_SLOT: the entries of a commit, or none if the header says so. */
static bool write_record(pv *p, uint8_t slot, uint8_t header[HEADER_SIZE], uint8_t source)
{
    pv_slot *known = &p->storage.slots[slot];
    /* What is committed was found complete. */
    uint8_t serves = source == NO_SLOT ? SERVES : p->storage.slots[source].state & SERVES;
    uint8_t check[HEADER_SIZE], seal[SEAL_SIZE];
    writer to;

    known->state &= WORN;
    put32(header + AT_HEADER_CRC, crc_of(header, AT_HEADER_CRC));
    memset(&to, 0, sizeof to);
    to.sink.take = write_bytes;
    to.p = p;
    to.at = header_at(p->config->flash, slot);
    to.failed = !erase_slot(p, slot);
    write_bytes(&to.sink, header, HEADER_SIZE);
    write_padding(&to);
    if (source != NO_SLOT) {
        to.failed |= !stream_payload(p, source, header, &to.sink);
    } else if (get32(header + AT_LENGTH) > 0) {
        put_entries(p, &to.sink);
    }
    write_padding(&to);

    /* Every unit was compared by itself; this finds a unit that a later one spoiled, and a payload
     * that is not the one that the header was made for. */
    to.failed = to.failed || !examine_once(p, slot, check);
    make_seal(header, seal);
    write_bytes(&to.sink, seal, SEAL_SIZE);
    write_padding(&to);
    known->state = to.failed ? WORN : (uint8_t)((known->state & ~WORN) | SEALED | serves);
    pv_wipe(p->config->unit, p->config->flash->program_unit);
    return !to.failed;
}

/* Makes the slot hold a sealed record of nothing: a copy of the one in force, after an erase, so that
 * the generation outlives any of them. */
static bool write_void(pv *p, uint8_t slot)
{
    uint8_t header[HEADER_SIZE];
    new_header(p, header, KIND_VOID);
    if (!p->storage.holds_set) {
        put32(header + AT_GENERATION, p->storage.generation);
        put32(header + AT_SET_NUMBER, p->storage.set_number);
    }
    return write_record(p, slot, header, NO_SLOT);
}

/* Takes note of the record in force. */
static void adopt(pv *p, uint8_t slot, const uint8_t header[HEADER_SIZE])
{
    pv_storage *storage = &p->storage;
    storage->slot = slot;
    storage->generation = get32(header + AT_GENERATION);
    storage->set_number = get32(header + AT_SET_NUMBER);
    memcpy(storage->token, header + AT_TOKEN, sizeof storage->token);
    storage->holds_set = header[AT_KIND] == KIND_SET;
    storage->starts_left = header[AT_STARTS_LEFT];
}

/* What comes after the newest number in any slot: the next generation, or set number. */
static uint32_t next_number(const pv *p, bool of_sets)
{
    uint32_t found = 0;
    for (uint8_t slot = 0; slot < p->config->flash->slot_count; slot++) {
        const pv_slot *known = &p->storage.slots[slot];
        uint32_t number = of_sets ? known->set_number : known->generation;
        if (is_newer(number, found)) {
            found = number;
        }
    }
    return number_after(found);
}

/* ------------------------------------------------------------------ the payload as settings */

/* The name of a field of that age: 0 its key, 1 its first older key, and so on; NULL: it has none.
 */
static const char *name_of(const pv_field *field, uint8_t age)
{
    const char *const *was = field->was;
    if (age == 0) {
        return field->key;
    }
    while (was != NULL && *was != NULL && --age > 0) {
        was++;
    }
    return was == NULL ? NULL : *was;
}

/* An integer as an item in memory; its head is all of it. */
typedef struct small_item {
    pv_sink sink;
    uint8_t bytes[5];
    uint8_t size;
} small_item;

static void take_small(pv_sink *self, const uint8_t *bytes, size_t size)
{
    small_item *to = (small_item *)(void *)self;
    memcpy(to->bytes + to->size, bytes, size);
    to->size = (uint8_t)(to->size + size);
}

/* Makes a decimal of so many digits one of other digits. False if that cannot be without loss. */
static bool rescale(const pv_head *head, uint8_t digits, uint8_t wanted, small_item *to)
{
    uint32_t size;
    if (head->major > PV_NEGATIVE || head->argument > INT32_MAX) {
        return false;
    }
    size = head->argument + head->major; /* of a negative one: -1 - argument */
    for (; digits < wanted; digits++) {
        if (size > INT32_MAX / 10) {
            return false;
        }
        size *= 10;
    }
    for (; digits > wanted; digits--) {
        if (size % 10 != 0) {
            return false;
        }
        size /= 10;
    }
    memset(to, 0, sizeof *to);
    to->sink.take = take_small;
    pv_put_head(&to->sink, head->major, size - head->major);
    return true;
}

/* Gives the stored value that comes next to a field, if kind and unit fit. */
static void load_value(const pv_schema *schema, void *settings, uint16_t number, uint32_t tag,
                       pv_reader *from)
{
    uint32_t wanted = schema->fields[number].tag;
    pv_head head;
    small_item item;
    pv_reader scaled;
    if (tag == wanted) {
        pv_settings_load(schema, settings, number, from);
    } else if (pass_value(from, &head) && (tag & 0xFF) == PV_KIND_DECIMAL &&
               (tag & 0xFFFF00FFu) == (wanted & 0xFFFF00FFu) &&
               rescale(&head, (uint8_t)(tag >> 8), (uint8_t)(wanted >> 8), &item)) {
        pv_read_memory(&scaled, item.bytes, item.size);
        pv_settings_load(schema, settings, number, &scaled);
    } else {
        PV_STATE(settings, number) |= PV_FELL_BACK;
    }
}

/* The field that bears that name at that age and has found no value yet, or PV_NO_FIELD. There is
 * one at most: no two fields share a name, past or present. */
static uint16_t field_named(const pv_schema *schema, const void *settings, uint8_t age,
                            const entry *each)
{
    for (uint16_t number = 0; number < schema->field_count; number++) {
        const char *name = name_of(&schema->fields[number], age);
        if (name != NULL && strlen(name) == each->key_size &&
            memcmp(name, each->key, (size_t)each->key_size) == 0 &&
            !(((const uint8_t *)settings)[number] & (PV_IS_SET | PV_FELL_BACK))) {
            return number;
        }
    }
    return PV_NO_FIELD;
}

/* Whether any field has a name of that age. */
static bool has_names(const pv_schema *schema, uint8_t age)
{
    for (uint16_t number = 0; number < schema->field_count; number++) {
        if (name_of(&schema->fields[number], age) != NULL) {
            return true;
        }
    }
    return false;
}

/* Goes through a payload for fields that bear a name of that age. False for a payload that does not
 * read right: then nothing in the settings may be used. */
static bool load_names(const pv *p, uint8_t slot, const uint8_t header[HEADER_SIZE], void *settings,
                       uint8_t age)
{
    const pv_schema *schema = p->config->schema;
    payload_reader from;
    open_payload(p, slot, header, &from);
    while (from.reader.left > 0) {
        entry each;
        pv_head value;
        uint16_t number;
        if (!next_entry(&from.reader, &each)) {
            return false;
        }
        number = field_named(schema, settings, age, &each);
        if (number == PV_NO_FIELD) {
            (void)pass_value(&from.reader, &value);
        } else {
            load_value(schema, settings, number, each.tag, &from.reader);
        }
    }
    return is_right(&from, header);
}

static bool load_once(const pv *p, uint8_t slot, void *settings)
{
    uint8_t header[HEADER_SIZE];
    if (!read_header(p, slot, header)) {
        return false;
    }
    pv_settings_reset(p->config->schema, settings);
    for (uint8_t age = 0; header[AT_KIND] == KIND_SET && has_names(p->config->schema, age); age++) {
        if (!load_names(p, slot, header, settings, age)) {
            return false;
        }
    }
    return true;
}

/* Makes a settings struct of the record in a slot. The newest name that the record has for a field
 * decides [10]: what it says is taken, or the field falls back. False for a record that does not
 * read right, in any of the passes: then the struct holds nothing that may be used. */
static bool load(const pv *p, uint8_t slot, void *settings)
{
    return load_once(p, slot, settings) || load_once(p, slot, settings);
}

/* ------------------------------------------------------------------ putting a record in force */

/* Writes a record to a slot that is not to be kept, with the next generation, so that it is the one
 * in force. Where a slot does not take it, another may. `settings`: where to load it; NULL: nowhere.
 * What cannot be loaded was not written. */
static bool publish(pv *p, uint8_t header[HEADER_SIZE], uint8_t source, uint8_t keep,
                    void *settings)
{
    uint8_t slot;
    keep |= bit(source);
    put32(header + AT_GENERATION, next_number(p, false));
    while ((slot = pick(p, keep)) != NO_SLOT) {
        if (write_record(p, slot, header, source) &&
            (settings == NULL || load(p, slot, settings))) {
            adopt(p, slot, header);
            return true;
        }
        /* It may still read as valid at the next start, and would be in force then. */
        (void)write_void(p, slot);
        p->storage.slots[slot].state |= WORN;
        keep |= bit(slot);
    }
    return false;
}

/* Writes a copy of a record as the newest. False where it cannot be read or written. `settings` as
 * of publish. */
static bool republish(pv *p, uint8_t slot, uint32_t set_number, uint8_t starts_left, void *settings)
{
    uint8_t header[HEADER_SIZE];
    if (!examine(p, slot, header)) {
        return false;
    }
    put32(header + AT_SET_NUMBER, set_number);
    header[AT_STARTS_LEFT] = starts_left;
    return publish(p, header, slot, kept(p), settings);
}

/* ------------------------------------------------------------------ at a start */

/* The slots whose record is that one but for the generation: copies of it. */
static uint8_t copies_of(const pv *p, uint8_t slot)
{
    uint8_t header[HEADER_SIZE], other[HEADER_SIZE];
    uint8_t found = bit(slot), valid = having(p, VALID);
    if (!read_header(p, slot, header)) {
        return found;
    }
    for (uint8_t at = 0; at < p->config->flash->slot_count; at++) {
        if ((valid & bit(at)) && read_header(p, at, other) &&
            memcmp(header + AT_SET_NUMBER, other + AT_SET_NUMBER, AT_HEADER_CRC - AT_SET_NUMBER) ==
                0) {
            found |= bit(at);
        }
    }
    return found;
}

/* Takes records back: from here on these slots hold none. */
static void forget(pv *p, uint8_t slots)
{
    for (uint8_t slot = 0; slot < p->config->flash->slot_count; slot++) {
        if (slots & bit(slot)) {
            p->storage.slots[slot].state &= WORN;
        }
    }
}

/* After an erase many slots hold the record in force. One that reads as sealed stays valid, so that
 * those of its generation that do not need no settling, only mending. */
static void forget_twins(pv *p)
{
    const pv_slot *slots = p->storage.slots;
    uint8_t valid = having(p, VALID), sealed = having(p, SEALED);
    for (uint8_t slot = 0; slot < p->config->flash->slot_count; slot++) {
        for (uint8_t at = 0; at < p->config->flash->slot_count; at++) {
            if ((valid & ~sealed & bit(slot)) && (sealed & bit(at)) &&
                slots[at].generation == slots[slot].generation) {
                forget(p, bit(slot));
            }
        }
    }
}

/* Sees to it that the newest record is sealed, and will be at every later start. One whose seal
 * does not read right may never have been written whole, and be unreadable the next time; or it may
 * have read as sealed at an earlier start, which somebody was told of. So it is written anew: over
 * neither itself, nor a copy that an interrupted settling left, nor what is in force if all of them
 * vanish. */
static void settle(pv *p)
{
    forget_twins(p);
    for (;;) {
        uint8_t header[HEADER_SIZE];
        uint8_t sealed = having(p, SEALED);
        uint8_t newest = newest_of(p, above(p, 0)); /* what only fills a slot is not in question */
        uint8_t copies, others, next, source, keep;
        if (newest == NO_SLOT) {
            return;
        }
        copies = copies_of(p, newest);
        next = newest_of(p, above(p, 0) & (uint8_t)~copies);
        if (next != NO_SLOT) {
            copies = (copies & above(p, p->storage.slots[next].generation)) | bit(newest);
        }
        if ((copies & ~sealed) == 0) {
            return;
        }
        others = above(p, 0) & (uint8_t)~copies;
        keep = bit(next) | bit(newest_of(p, others & having(p, SET | CONFIRMED)));
        source = oldest_of(p, copies);
        if (pick(p, keep | copies) == NO_SLOT) { /* pick takes a copy only if there is no other */
            if (copies & sealed) {
                source = newest_of(p, copies & sealed);
            } else if (pick(p, keep | bit(source)) == NO_SLOT) {
                forget(p, copies);
                continue;
            }
        }
        if (examine(p, source, header)) {
            (void)publish(p, header, source, keep, NULL);
            return;
        }
    }
}

/* Takes the newest record as the one in force. */
static void choose(pv *p)
{
    uint8_t header[HEADER_SIZE];
    uint8_t slot;
    while ((slot = newest_of(p, having(p, VALID))) != NO_SLOT && !read_header(p, slot, header)) {
        p->storage.slots[slot].state &= WORN;
    }
    if (slot == NO_SLOT) {
        memset(header, 0, sizeof header);
    }
    adopt(p, slot, header);
}

/* Whether a slot holds, sealed, the void record in force: the one that was first, or a copy. */
static bool holds_void(const pv *p, uint8_t slot)
{
    const pv_slot *known = &p->storage.slots[slot];
    return (known->state & (SEALED | SET)) == SEALED && known->generation == p->storage.generation;
}

/* After an erase that was cut short, puts a void record of this power cycle in force before mend()
 * copies it. A void record that is alone may have a torn seal; a copy that is cut short too could
 * then not be told from it, and settling might keep the one that vanishes. Where two hold the
 * record, the first had been written whole. */
static void renew_void(pv *p)
{
    const pv_storage *storage = &p->storage;
    uint8_t holding = 0;
    for (uint8_t slot = 0; slot < p->config->flash->slot_count; slot++) {
        if (holds_void(p, slot)) {
            holding++;
        }
    }
    if (!storage->holds_set && storage->generation > 0 && holding == 1 &&
        p->config->flash->slot_count > 2) { /* two slots do not withstand a second cut */
        (void)republish(p, storage->slot, storage->set_number, 0, NULL);
    }
}

/* Wipes what a write that was cut short left in the other slots, and after an erase what that erase
 * is to wipe. False if a slot could not be written. */
static bool mend(pv *p)
{
    uint8_t keep = kept(p);
    bool whole = true;
    for (uint8_t slot = 0; slot < p->config->flash->slot_count; slot++) {
        bool right = (p->storage.slots[slot].state & SEALED) != 0;
        if (!p->storage.holds_set) { /* every slot has the void record in force */
            right = holds_void(p, slot);
        }
        if (!(bit(slot) & keep) && !right && !write_void(p, slot)) {
            whole = false;
        }
    }
    return whole;
}

/* Ends a trial badly. With nothing to go back to the set is kept. `settings` as of publish. */
static bool end_trial(pv *p, void *settings)
{
    uint8_t slot = confirmed(p);
    if (slot == NO_SLOT) {
        slot = p->storage.slot;
    }
    return republish(p, slot, p->storage.slots[slot].set_number, 0, settings);
}

/* Counts a start in a trial. A firmware that has no trials keeps the set. */
static void count_start(pv *p)
{
    pv_storage *storage = &p->storage;
    if (storage->starts_left == 0) {
        return;
    }
    if (!(p->capabilities & PV_CAN_TRIAL) || confirmed(p) == NO_SLOT) {
        (void)republish(p, storage->slot, storage->set_number, 0, NULL);
    } else if (storage->starts_left > 1) {
        (void)republish(p, storage->slot, storage->set_number,
                        (uint8_t)(storage->starts_left - 1), NULL);
    } else {
        (void)end_trial(p, NULL);
    }
}

/* Loads the record in force into the settings. One that cannot be read any more, though it could a
 * moment ago, gives way to the one before. */
static void load_in_force(pv *p)
{
    const pv_config *config = p->config;
    while (p->storage.slot != NO_SLOT && !load(p, p->storage.slot, config->settings)) {
        p->storage.slots[p->storage.slot].state &= WORN;
        choose(p);
    }
    if (p->storage.slot == NO_SLOT) {
        pv_settings_reset(config->schema, config->settings);
    }
    p->defect = pv_judge(p->config->schema, config->settings);
}

/* Finds the sets that are complete under this firmware: now, since nothing is staged where they are
 * loaded to, and may be when undo wants to know. */
static void find_complete(pv *p)
{
    void *scratch = p->config->staged;
    uint8_t sets = having(p, VALID | SET);
    for (uint8_t slot = 0; slot < p->config->flash->slot_count; slot++) {
        if ((sets & bit(slot)) && load(p, slot, scratch) && pv_judge(p->config->schema, scratch).field == PV_NO_FIELD) {
            p->storage.slots[slot].state |= SERVES;
        }
    }
    pv_wipe(scratch, (size_t)p->config->schema->settings_size);
}

int pv_store_start(pv *p)
{
    uint8_t header[HEADER_SIZE];
    if (p->config->schema->largest_payload > room(p->config->flash)) {
        return PV_ERROR_SPACE;
    }
    memset(&p->storage, 0, sizeof p->storage);
    for (uint8_t slot = 0; slot < p->config->flash->slot_count; slot++) {
        examine(p, slot, header);
    }
    settle(p);
    choose(p);
    renew_void(p);
    (void)mend(p);
    count_start(p);
    load_in_force(p);
    find_complete(p);
    return 0;
}

/* ------------------------------------------------------------------ at a request */

/* The size and CRC of a payload before it is written. */
typedef struct measure {
    pv_sink sink;
    uint32_t size;
    uint32_t crc;
} measure;

static void take_measure(pv_sink *self, const uint8_t *bytes, size_t size)
{
    measure *to = (measure *)(void *)self;
    to->size += (uint32_t)size;
    to->crc = pv_crc(to->crc, bytes, size);
}

uint8_t pv_store_commit(pv *p, const uint8_t token[8])
{
    uint8_t header[HEADER_SIZE];
    measure payload;
    memset(&payload, 0, sizeof payload);
    payload.sink.take = take_measure;
    payload.crc = PV_CRC_START;
    put_entries(p, &payload.sink);
    if (payload.size > room(p->config->flash)) {
        return PV_REFUSE_STORAGE;
    }

    new_header(p, header, KIND_SET);
    put32(header + AT_SET_NUMBER, next_number(p, true));
    memcpy(header + AT_TOKEN, token, 8);
    put32(header + AT_LENGTH, payload.size);
    put32(header + AT_PAYLOAD_CRC, ~payload.crc);
    if ((p->capabilities & PV_CAN_TRIAL) && p->storage.holds_set) {
        header[AT_STARTS_LEFT] = TRIAL_STARTS;
    }
    return publish(p, header, NO_SLOT, kept(p), NULL) ? 0 : PV_REFUSE_STORAGE;
}

uint8_t pv_store_confirm(pv *p)
{
    return republish(p, p->storage.slot, p->storage.set_number, 0, NULL) ? 0 : PV_REFUSE_STORAGE;
}

/* Where to load a set that is not in force yet: with nothing staged, where that would be. */
static void *room_to_load(const pv *p)
{
    bool is_free = pv_staged_count(p) == 0 && p->part_field == PV_NO_FIELD;
    return is_free ? p->config->staged : p->config->settings;
}

/* Ends what put another set in force, or tried to, and loaded it there. */
static uint8_t take_up(pv *p, void *loaded, bool done)
{
    const pv_config *config = p->config;
    if (loaded == config->staged) {
        if (done) {
            memcpy(config->settings, loaded, (size_t)config->schema->settings_size);
        }
        pv_wipe(loaded, (size_t)config->schema->settings_size);
    } else if (!done) {
        load_in_force(p); /* again */
    }
    p->defect = pv_judge(p->config->schema, config->settings);
    return done ? 0 : PV_REFUSE_STORAGE;
}

uint8_t pv_store_end_trial(pv *p)
{
    void *to = room_to_load(p);
    return take_up(p, to, end_trial(p, to));
}

uint8_t pv_store_undo(pv *p)
{
    void *to = room_to_load(p);
    uint8_t slot = older(p);
    if (slot == NO_SLOT || !(p->storage.slots[slot].state & SERVES)) {
        return PV_REFUSE_NO_OLDER_SET;
    }
    return take_up(p, to, republish(p, slot, next_number(p, true), 0, to));
}

uint8_t pv_store_erase(pv *p)
{
    uint8_t header[HEADER_SIZE];
    new_header(p, header, KIND_VOID);
    put32(header + AT_SET_NUMBER, next_number(p, true));
    if (!publish(p, header, NO_SLOT, kept(p), NULL)) {
        return PV_REFUSE_STORAGE;
    }
    /* From here on nothing is in force at any later start, and each start goes on wiping. */
    pv_settings_reset(p->config->schema, p->config->settings);
    p->defect = pv_judge(p->config->schema, p->config->settings);
    return mend(p) ? 0 : PV_REFUSE_STORAGE;
}
