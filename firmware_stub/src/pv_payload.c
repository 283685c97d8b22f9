/* SPDX-License-Identifier: MIT */
/*
 * A set as every store keeps it: entries of key, tag and value (STORAGE.md, Format), and which of them
 * a field takes up. Touches the settings struct that it is handed, and of struct pv the chunk.
 */
#include <string.h>

#include "pv_internal.h"

/* ------------------------------------------------------------------ reading */

/* Every byte of a payload is read, also what is passed over, and goes through the CRC. */
static bool fetch_piece(pv_reader *from)
{
    pv *p = from->p;
    uint32_t size = from->later < sizeof p->chunk ? from->later : sizeof p->chunk;
    if (!p->config->store->read(p, from->next, p->chunk, (size_t)size)) {
        return false;
    }
    from->crc = pv_crc(from->crc, p->chunk, (size_t)size);
    from->next += size;
    from->later -= size;
    from->ready = size;
    from->at = p->chunk;
    return true;
}

void pv_payload_open(pv *p, pv_reader *from, uint32_t at, uint32_t length)
{
    memset(from, 0, sizeof *from);
    from->fetch = fetch_piece;
    from->p = p;
    from->next = at;
    from->later = length;
    from->crc = PV_CRC_START;
}

bool pv_payload_is_right(pv_reader *from, uint32_t crc)
{
    pv_wipe(from->p->chunk, sizeof from->p->chunk);
    return !from->failed && pv_left(from) == 0 && ~from->crc == crc;
}

/* An entry of a payload up to its value, whose head the reader has. */
typedef struct entry {
    char key[PV_MAX_KEY + 3]; /* zeros behind it */
    uint32_t key_size; /* of one above PV_MAX_KEY, which is of no field of ours, nothing is there */
    uint32_t tag;
} entry;

/* Reads the next entry up to the head of its value: a number, text, bytes, or yes-no. False for what
 * is none. */
static bool next_entry(pv_reader *from, entry *to)
{
    if (!pv_read_type(from, PV_ARRAY) || from->argument != 3 || !pv_read_type(from, PV_TEXT)) {
        return false;
    }
    to->key_size = from->argument;
    memset(to->key, 0, sizeof to->key);
    if (to->key_size > PV_MAX_KEY) {
        if (!pv_pass_value(from)) {
            return false;
        }
    } else {
        if (!pv_read(from, to->key, to->key_size) || !pv_is_utf8((const uint8_t *)to->key, (size_t)to->key_size)) {
            return false;
        }
    }
    if (!pv_read_type(from, PV_UINT)) {
        return false;
    }
    to->tag = from->argument;
    return pv_read_head(from) && from->major != PV_ARRAY && from->major != PV_MAP &&
           (from->major != PV_SIMPLE || from->argument != PV_NULL);
}

/* A payload with a right CRC that is not entries was written by other firmware. */
bool pv_is_payload(pv_reader *from)
{
    entry each;
    while (pv_left(from) > 0) {
        if (!next_entry(from, &each) || !pv_pass_value(from)) {
            return false;
        }
    }
    return true;
}

/* ------------------------------------------------------------------ names [10] */

enum { OWN_KEY = 31 };

/* The characters of a first instance behind the section, which [10] lets be put in or left out. */
static size_t first_instance(char dot, char number, char end)
{
    return dot == '.' && number == '1' && end == '.' ? 2 : 0;
}

/* How a stored key names a field: OWN_KEY as it stands, less for an older name, the less the older;
 * 0: not at all. No two fields share a name, past or present. */
static uint8_t rank_of(const PV_ROM pv_field *field, const entry *each)
{
    const PV_ROM char *name = field->key;
    const char *key = each->key;
    size_t size = (size_t)each->key_size;
    uint8_t rank = OWN_KEY;
    while (size <= PV_MAX_KEY && name != NULL && *name != '\0') {
        size_t at = 0; /* the end of the section */
        size_t own;
        size_t stored;
        while (at < size && name[at] == key[at] && key[at] != '.') {
            at++;
        }
        own = at + first_instance(name[at], name[at + 1], name[at + 2]);
        stored = at + first_instance(key[at], key[at + 1], key[at + 2]);
        if (stored <= size && pv_is_text(name + own, key + stored, size - stored)) {
            return (uint8_t)(rank - (own != stored));
        }
        rank = (uint8_t)(rank - 2);
        name = name == field->key ? field->was : name + pv_length(name) + 1;
    }
    return 0;
}

/* ------------------------------------------------------------------ values */

/* Gives the stored value that comes next to a field, or notes that its default is in force. */
static void load_value(pv_reader *from, void *settings, uint16_t i, uint32_t tag)
{
    const PV_ROM pv_schema *schema = from->p->schema;
    const PV_ROM pv_field *field = &schema->fields[i];
    const PV_ROM pv_layout *layout = field->kind->layout;
    uint8_t refusal = PV_REFUSE_WRONG_KIND;
    pv_member_wipe(field, settings);
    if (tag == field->tag || (layout->adapt != NULL && layout->adapt(field, tag, from))) {
        refusal = pv_decode_value(schema, field, from, settings);
    } else {
        (void)pv_pass_value(from);
    }
    PV_STATE(settings, i) = refusal == 0 ? PV_IS_SET | PV_IN_FORCE : PV_FELL_BACK;
}

void pv_payload_load(pv_reader *from, void *settings)
{
    const PV_ROM pv_schema *schema = from->p->schema;
    entry each;
    pv_wipe(settings, (size_t)schema->settings_size);
    while (pv_left(from) > 0 && next_entry(from, &each)) {
        uint8_t rank = 0;
        uint16_t i = 0;
        while (i < schema->field_count && (rank = rank_of(&schema->fields[i], &each)) == 0) {
            i++;
        }
        /* The newest name that a record has for a field decides [10]. Until all is read, the rank of the
         * name that was found is where PV_IS_ACTIVE and the like will be. */
        if (rank != 0 && rank > PV_STATE(settings, i) >> 3) {
            load_value(from, settings, i, each.tag);
            PV_STATE(settings, i) |= (uint8_t)(rank << 3);
        } else {
            (void)pv_pass_value(from);
        }
    }
}

/* ------------------------------------------------------------------ writing */

void pv_payload_put_start(pv_sink *to, const PV_ROM pv_field *field)
{
    pv_put_head(to, PV_ARRAY, 3);
    pv_put_text(to, field->key);
    pv_put_uint(to, field->tag);
}

void pv_payload_put_entry(const pv *p, pv_sink *to, uint16_t i)
{
    const PV_ROM pv_field *field = &p->schema->fields[i];
    const uint8_t *settings = pv_is_staged(p, i) ? p->staged : p->settings;
    if ((settings[i] & PV_IS_SET) != 0) {
        pv_payload_put_start(to, field);
        pv_encode_value(to, field, settings);
    }
}

void pv_payload_put(const pv *p, pv_sink *to)
{
    uint16_t i;
    for (i = 0; i < p->schema->field_count; i++) {
        pv_payload_put_entry(p, to, i);
    }
}
