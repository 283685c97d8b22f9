/* SPDX-License-Identifier: MIT */
/* What the parts of the stub have from each other. Nothing here is for the firmware. */
#ifndef PV_INTERNAL_H
#define PV_INTERNAL_H

#include "pv.h"

/* ------------------------------------------------------------------ pv_line.c: memory, CRC, the line */

/* Overwrites memory that held a secret; no compiler drops it. */
void pv_wipe(void *memory, size_t size);

/* CRC-32C [2.1], running: begin with PV_CRC_START, the value is ~crc. */
#define PV_CRC_START 0xFFFFFFFFu
uint32_t pv_crc(uint32_t crc, const uint8_t *bytes, size_t size);

/* Counts what it takes. */
typedef struct pv_counter {
    pv_sink sink;
    uint32_t size;
} pv_counter;
void pv_count_begin(pv_counter *counter);

/* Digests what it takes. */
typedef struct pv_digester {
    pv_sink sink;
    uint32_t crc;
} pv_digester;
void pv_digest_begin(pv_digester *digester);

/* Characters of CHECK [2.1]. */
#define PV_CHECK_SIZE 8

/* Begins a line [2.1] of what goes into the sink returned, and ends it. */
pv_sink *pv_line_begin(pv *p);
void pv_line_end(pv *p);

/* Whether a whole line that may be a message waits in config->line. */
bool pv_line_waits(const pv *p);

/* Checks that line and decodes it in place: the size of its item in bytes, 0 if it is no message. */
size_t pv_line_take(const pv *p);

/* Overwrites what was received of the line, so that pv_feed takes the next. */
void pv_line_done(pv *p);

/* ------------------------------------------------------------------ pv_cbor.c: the profile [3] */

/* Major types, and the simple values of major type 7. */
enum { PV_UINT = 0, PV_NEGATIVE = 1, PV_BYTES = 2, PV_TEXT = 3, PV_ARRAY = 4, PV_MAP = 5, PV_TAG = 6,
       PV_SIMPLE = 7 };
enum { PV_FALSE = 20, PV_TRUE = 21, PV_NULL = 22 };

void pv_put_head(pv_sink *to, uint8_t major, uint32_t argument);
void pv_put_uint(pv_sink *to, uint32_t value);
void pv_put_int(pv_sink *to, int32_t value);
void pv_put_bytes(pv_sink *to, const void *bytes, size_t size);
void pv_put_text(pv_sink *to, const char *text);
void pv_put_simple(pv_sink *to, uint8_t value);

/* Where a decoder's bytes come from. A source other than memory has a struct of its own with this as
 * its first member; its read() is never called for more than is left. */
typedef struct pv_reader {
    bool (*read)(struct pv_reader *self, void *to, uint32_t size); /* `to` NULL: skip; NULL: memory */
    const uint8_t *memory; /* of a source in memory: the next byte; else NULL */
    uint32_t left;         /* bytes up to the end */
    bool failed;           /* something could not be read; from then on nothing can */
} pv_reader;
void pv_read_memory(pv_reader *from, const uint8_t *bytes, size_t size);
/* Sizes have 32 bits where size_t has 16: what a head announces must not shrink before it is refused. */
bool pv_read(pv_reader *from, void *to, uint32_t size);

typedef struct pv_head {
    uint8_t major;
    uint32_t argument; /* of a negative integer: -1 - value */
} pv_head;
/* False, and the reader failed, for a head outside the profile. */
bool pv_read_head(pv_reader *from, pv_head *head);

/* Passes over a value, whatever is in it. */
bool pv_skip_value(pv_reader *from);

/* Bytes: the largest item that a line carries, three in four characters. */
#define PV_LARGEST_ITEM (PV_MAX_BODY * 3U / 4U)

/* Whether these bytes are exactly one item in the profile, at most PV_MAX_DEPTH deep. */
bool pv_is_item(const uint8_t *bytes, size_t size);

/* The character at *at, which is moved behind it; PV_NO_CHARACTER if there is no valid UTF-8. */
#define PV_NO_CHARACTER 0xFFFFFFFFu
uint32_t pv_utf8_next(const uint8_t **at, const uint8_t *end);
bool pv_is_utf8(const uint8_t *bytes, size_t size);

/* ------------------------------------------------------------------ pv_values.c: kinds [9] */

/* How a member of a settings struct looks. */
enum { PV_AS_NUMBER, PV_AS_YES_NO, PV_AS_OPTION, PV_AS_TEXT, PV_AS_BYTES };

/* What is left to check of a value once its CBOR type, and of text and bytes the length, are right.
 * number: the value, or the length of bytes. Returns 0 or PV_REFUSE_. */
typedef uint8_t pv_value_check(const pv_schema *schema, const pv_field *field, const uint8_t *bytes,
                               int32_t number);

struct pv_value_kind {
    pv_value_check *check; /* or NULL */
    uint8_t major;         /* of the value; PV_UINT: integers of both signs */
    uint8_t layout;
    uint8_t too_large;     /* the refusal of an integer above 2^31-1 */
};

/* PV_KIND_ of a field, without a reference to the kind itself, which would link it. */
uint8_t pv_kind_of(const pv_field *field);
bool pv_is_secret(const pv_field *field);

/* The member as a number: integers, yes-no and choice. */
bool pv_has_number(const pv_field *field);
int32_t pv_number(const pv_field *field, const void *settings);
/* The bytes of a text or byte member; the number of those of a byte member. */
uint8_t *pv_member_bytes(const pv_field *field, void *settings);
size_t pv_member_length(const pv_field *field, const void *settings);
/* Finishes a text or byte member that was written piece by piece. */
void pv_member_close(const pv_field *field, void *settings, size_t length);
void pv_member_wipe(const pv_field *field, void *settings);
void pv_member_copy(const pv_field *field, void *to, const void *from);

/* Checks length and content of a text or byte value. Returns 0 or PV_REFUSE_. */
uint8_t pv_check_bytes(const pv_schema *schema, const pv_field *field, const uint8_t *bytes, size_t size);

/* The member as the value of a message or of a stored set. */
void pv_encode_value(pv_sink *to, const pv_field *field, const void *settings);

/* Reads one value, passing over it whole whatever it is, checks it and writes the member. Returns 0
 * or PV_REFUSE_; from memory a refused value leaves the member alone, from elsewhere it may be
 * overwritten. A source that failed gives a refusal as well. */
uint8_t pv_decode_value(const pv_schema *schema, const pv_field *field, pv_reader *from, void *settings);

/* ------------------------------------------------------------------ pv_check.c: settings structs [9.5, 9.6] */

#define PV_STATE(settings, field) (((uint8_t *)(settings))[field])

/* The field with this full key, or PV_NO_FIELD. */
uint16_t pv_find(const pv_schema *schema, const uint8_t *key, size_t size);

/* A struct in which nothing is stored: wiped, defaults in force. */
void pv_settings_reset(const pv_schema *schema, void *settings);

/* Takes a field's value from storage: set and in force if it passes, else fallen back to the default.
 * A later call for the same field counts. Passes over the value whole. */
void pv_settings_load(const pv_schema *schema, void *settings, uint16_t field, pv_reader *from);

/* Marks which fields of a settings struct are active; returns what keeps the set from being put into
 * use. */
pv_defect pv_judge(const pv_schema *schema, void *set);

/* Of the resulting whole [9.6]: the struct that has the field's stored value, or NULL if it has none.
 * This is what a commit writes. */
const void *pv_resulting(const pv *p, uint16_t field);

/* The rules of the whole for a commit: 0 or PV_REFUSE_, with the field and the other one at fault. It
 * works in the staged struct, and leaves what is staged there as it was. */
uint8_t pv_check_whole(const pv *p, uint16_t *field, uint16_t *other);

uint16_t pv_staged_count(const pv *p);
uint32_t pv_staged_digest(const pv *p); /* [6.5] */

/* The staged set has become the stored one. */
void pv_settings_overlay(const pv *p);

/* Forgets what is staged, incomplete parts too. */
void pv_drop_staged(pv *p);

/* ------------------------------------------------------------------ pv_store.c: what is durable */

/* p->config and p->capabilities are set before the first call. Each brings p->storage and
 * config->settings up to date, state flags included (pv_settings_reset, pv_settings_load, then
 * p->defect = pv_judge(config->schema, config->settings)), save where it says otherwise. Only values that were
 * read with the right CRC are left in config->settings.
 * pv.c calls apply, wipes what is staged, and keeps the times. */

/* Mends the slots, counts a trial's start down, loads the set in force. 0 or a negative PV_ERROR_:
 * whether the largest set fits is for the store to say. Works in config->staged, and leaves it wiped. */
int pv_store_start(pv *p);

/* The rest return 0 or PV_REFUSE_STORAGE (undo: also PV_REFUSE_NO_OLDER_SET), and change nothing then.
 * What is staged, parts included, they leave alone. */

/* Writes, for every field in schema order, the value in pv_resulting(). Leaves settings and staged alone:
 * pv.c lays the one over the other. On trial if p->capabilities has PV_CAN_TRIAL and a set is stored. */
uint8_t pv_store_commit(pv *p, const uint8_t token[8]);

uint8_t pv_store_undo(pv *p);
uint8_t pv_store_confirm(pv *p); /* the settings stay as they are */
uint8_t pv_store_erase(pv *p);
uint8_t pv_store_end_trial(pv *p); /* badly */

#endif
