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
uint32_t pv_crc(uint32_t crc, const void *bytes, size_t size);

/* Characters of CHECK [2.1]. */
#define PV_CHECK_SIZE 8

/* Begins a line [2.1] of what goes into p->out, which is returned, and ends it. */
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
       PV_SIMPLE = 7, PV_ANY = 8 };
enum { PV_FALSE = 20, PV_TRUE = 21, PV_NULL = 22 };

/* Has p->out measure what comes. */
pv_sink *pv_measure_begin(pv *p);

void pv_give(pv_sink *to, const void *bytes, size_t size);
void pv_put_head(pv_sink *to, uint8_t major, uint32_t argument);
void pv_put_uint(pv_sink *to, uint32_t value);
void pv_put_int(pv_sink *to, int32_t value);
void pv_put_bytes(pv_sink *to, const void *bytes, size_t size);
void pv_put_table(pv_sink *to, uint8_t major, const PV_ROM void *bytes, size_t size);
void pv_put_text(pv_sink *to, const PV_ROM char *text);
void pv_put_simple(pv_sink *to, uint8_t value);

/* The length of a text, and whether it is this one. */
size_t pv_length(const PV_ROM char *text);
bool pv_is_text(const PV_ROM char *text, const void *bytes, size_t size);

/* Where a decoder's bytes come from: memory, or something of which a piece at a time is in memory. */
typedef struct pv_reader {
    uint8_t major;       /* of the last head */
    bool failed;         /* something could not be read; from then on nothing can */
    bool (*fetch)(struct pv_reader *self); /* brings the next piece; NULL: all is at hand */
    pv *p;
    const PV_ROM uint8_t *table; /* of fetch: the bytes still to come are here, */
    uint32_t next;               /* or at this offset in the store */
    const uint8_t *at;   /* at hand */
    uint32_t ready;      /* bytes of them */
    uint32_t later;      /* bytes that are still to come */
    uint32_t crc;        /* of what came */
    uint32_t argument;   /* of the last head; of a negative integer: -1 - value */
} pv_reader;
void pv_read_memory(pv_reader *from, const uint8_t *bytes, size_t size);
void pv_read_table(pv_reader *from, pv *p, const PV_ROM uint8_t *bytes, size_t size);
uint32_t pv_left(const pv_reader *from);
/* `to` NULL: passes over so many. */
bool pv_read(pv_reader *from, void *to, uint32_t size);

/* Reads a head. False, and the reader failed, for one outside the profile. */
bool pv_read_head(pv_reader *from);
/* Whether a head of this type follows. */
bool pv_read_type(pv_reader *from, uint8_t major);
/* Passes over what follows the head of an item that is not nested. False if that cannot be read, or is
 * no UTF-8. */
bool pv_pass_value(pv_reader *from);

/* Passes over an item at most PV_MAX_DEPTH deep. False if it is none in the profile. */
bool pv_pass_item(pv_reader *from);

/* Bytes: the largest item that a line carries, three in four characters. */
#define PV_LARGEST_ITEM (PV_MAX_BODY * 3U / 4U)

/* Whether these bytes are exactly one item in the profile. */
bool pv_is_item(const uint8_t *bytes, size_t size);

/* The next character of text in memory, of which at least a byte is left; PV_NO_CHARACTER if that is no
 * UTF-8. */
#define PV_NO_CHARACTER 0xFFFFFFFFu
uint32_t pv_next_character(const uint8_t **bytes, const uint8_t *end);
bool pv_is_utf8(const uint8_t *bytes, size_t size);

/* ------------------------------------------------------------------ pv_values.c: kinds [9] */

/* How a member of a settings struct looks, and how it is written and read. */
typedef struct pv_layout {
    uint8_t size;    /* bytes, the length or the NUL of a text or byte member with them */
    uint8_t prefix;  /* bytes before those of a byte member: its length */
    bool is_long;    /* a text or byte member: `maximum` bytes more */
    void (*put)(pv_sink *to, const PV_ROM pv_field *field, const void *settings);
    /* Reads and checks what follows the head. Returns 0 or PV_REFUSE_. */
    uint8_t (*take)(const PV_ROM pv_schema *schema, const PV_ROM pv_field *field, pv_reader *from,
                    void *settings);
    /* Makes a stored value of another tag, whose head was read, one of the field; NULL: none can be. */
    bool (*adapt)(const PV_ROM pv_field *field, uint32_t tag, pv_reader *from);
} pv_layout;

/* What is left to check of a value once its CBOR type, and of text and bytes the length, are right.
 * number: the value, or the length of bytes. Returns 0 or PV_REFUSE_. */
typedef uint8_t pv_value_check(const PV_ROM pv_schema *schema, const PV_ROM pv_field *field,
                               const uint8_t *bytes, int32_t number);

struct pv_value_kind {
    const PV_ROM pv_layout *layout;
    pv_value_check *check; /* or NULL */
    uint8_t major;         /* of the value; PV_UINT: integers of both signs */
    uint8_t too_large;     /* the refusal of an integer above 2^31-1 */
};
extern const PV_ROM pv_layout pv_as_number, pv_as_yes_no, pv_as_option, pv_as_text, pv_as_bytes;
pv_value_check pv_check_range;
void pv_put_number_member(pv_sink *to, const PV_ROM pv_field *field, const void *settings);
uint8_t pv_take_number(const PV_ROM pv_schema *schema, const PV_ROM pv_field *field, pv_reader *from,
                       void *settings);

/* Characters that several kinds are made of. */
bool pv_is_digit(uint32_t c);
bool pv_is_letter(uint32_t c);
bool pv_is_hexadecimal(uint32_t c);
bool pv_is_ascii(uint32_t c);
bool pv_is_all(bool (*is)(uint32_t c), const uint8_t *bytes, size_t size);

/* PV_KIND_ of a field, without a reference to the kind itself, which would link it. */
uint8_t pv_kind_of(const PV_ROM pv_field *field);
bool pv_is_secret(const PV_ROM pv_field *field);

/* The member as a number, where it is not long. */
int32_t pv_number(const PV_ROM pv_field *field, const void *settings);
/* The bytes of a long member; the number of those of a byte member. */
uint8_t *pv_member_bytes(const PV_ROM pv_field *field, void *settings);
size_t pv_member_length(const PV_ROM pv_field *field, const void *settings);
/* Finishes a long member that was written piece by piece. */
void pv_member_close(const PV_ROM pv_field *field, void *settings, size_t length);
void pv_member_wipe(const PV_ROM pv_field *field, void *settings);
void pv_member_copy(const PV_ROM pv_field *field, void *to, const void *from);

/* Checks length and content of a text or byte value. Returns 0 or PV_REFUSE_. */
uint8_t pv_check_bytes(const PV_ROM pv_schema *schema, const PV_ROM pv_field *field, const uint8_t *bytes,
                       size_t size);

/* The member as the value of a message or of a stored set. */
void pv_encode_value(pv_sink *to, const PV_ROM pv_field *field, const void *settings);

/* Reads the value of which the head was read, passing over it whole whatever it is (save arrays and
 * maps), checks it and writes the member. Returns 0 or PV_REFUSE_; from memory a refused value leaves
 * the member alone, from elsewhere it may be overwritten. A source that failed gives a refusal as
 * well. */
uint8_t pv_decode_value(const PV_ROM pv_schema *schema, const PV_ROM pv_field *field, pv_reader *from,
                        void *settings);

/* ------------------------------------------------------------------ pv_set.c: settings structs [9.5, 9.6] */

#define PV_STATE(settings, field) (((uint8_t *)(settings))[field])
#define PV_STAGED_VALUE (PV_IS_STAGED | PV_IS_SET | PV_IN_FORCE)

/* The field with this full key, or PV_NO_FIELD. */
uint16_t pv_find(const PV_ROM pv_schema *schema, const uint8_t *key, size_t size);

/* The struct that a field of a view is in. */
uint8_t *pv_holder(const pv_view *view, uint16_t field);
/* Whether a field is active, and a value in force. */
bool pv_applies(const pv_view *view, uint16_t field);
/* The value in force of a field that is not long. */
int32_t pv_number_of(const pv_view *view, uint16_t field);

/* Wipes a member and puts its default in force, or nothing. */
void pv_fall_back(pv *p, void *settings, uint16_t field);

/* Puts defaults in force in a struct of which only what is stored was loaded. */
void pv_settings_complete(pv *p, void *settings);

/* A struct in which nothing is stored: wiped, defaults in force. */
void pv_settings_reset(pv *p, void *settings);

/* Marks in a settings struct which fields are active, it being whole (base NULL) or laid over `base`;
 * returns what keeps the set from being put into use. */
pv_defect pv_judge(const pv *p, void *set, void *base);
/* The same of config->settings, into p->defect. */
void pv_judge_settings(pv *p);

/* The rules of the whole for a commit [9.6]: 0 or PV_REFUSE_, with the fields in p->fault. */
uint8_t pv_check_whole(pv *p);

bool pv_is_staged(const pv *p, uint16_t field);
uint16_t pv_staged_count(const pv *p);
uint32_t pv_staged_digest(pv *p); /* [6.5] */

/* The staged set has become the stored one. */
void pv_settings_overlay(pv *p);

/* Forgets what is staged of a field, or held of it in parts, and wipes what memory holds of that. */
void pv_unstage(pv *p, uint16_t field);

/* Forgets what is staged, incomplete parts too. */
void pv_drop_staged(pv *p);

/* ------------------------------------------------------------------ pv_payload.c: sets as they are stored */

/* Every store keeps a set as the payload of STORAGE.md, and reads it as this. */
void pv_payload_open(pv *p, pv_reader *from, uint32_t at, uint32_t length);
/* Whether it was read to its end, and has this CRC. What was made of it counts only then. Wipes what
 * was at hand of it. */
bool pv_payload_is_right(pv_reader *from, uint32_t crc);
/* Whether it is entries and nothing else. */
bool pv_is_payload(pv_reader *from);
/* Makes a settings struct of it, all but pv_settings_complete(): that defaults are read from there, and
 * not from within, spares their part of the stack. */
void pv_payload_load(pv_reader *from, void *settings);
/* The payload of a commit: for every field in schema order the value that is then stored. */
void pv_payload_put(const pv *p, pv_sink *to);
/* What it has of one field, and the start of that, before the value. */
void pv_payload_put_entry(const pv *p, pv_sink *to, uint16_t field);
void pv_payload_put_start(pv_sink *to, const PV_ROM pv_field *field);

/* ------------------------------------------------------------------ what is durable: pv_slots.c, pv_pair.c,
 * pv_platform.c */

/* p->config and p->capabilities are set before the first call. Each brings p->storage and
 * config->settings up to date, state flags included, and p->defect, save where it says otherwise. Only
 * values that were read with the right CRC are left in config->settings.
 * The conversation calls apply, wipes what is staged, and keeps the times. */
struct pv_store_kind {
    uint8_t least_slots; /* of flash; 0: none */
    uint8_t most_slots;
    bool keeps_older;    /* undo and trials can be */

    /* Mends what an interrupted write left, counts a trial's start, loads the set in force. 0, or
     * PV_ERROR_SPACE if the largest set does not fit. */
    int (*start)(pv *p);

    /* The rest return 0 or PV_REFUSE_STORAGE, and change nothing then. What is staged, parts included,
     * they leave alone. */

    /* Writes pv_payload_put(). Leaves settings and staged alone: the conversation lays the one over the
     * other. On trial if p->capabilities has PV_CAN_TRIAL and a set is stored. */
    uint8_t (*commit)(pv *p, const uint8_t token[8]);
    uint8_t (*erase)(pv *p);

    /* Reads the record that a pv_reader is open on. */
    bool (*read)(pv *p, uint32_t at, void *to, size_t size);
};

/* ------------------------------------------------------------------ pv_record.c: the header of a record */

enum { PV_KIND_OF_SET = 1, PV_KIND_OF_VOID = 2 };

uint32_t pv_record_crc(const pv *p);
/* Whether p->record is a header that was read right. */
bool pv_record_is_right(const pv *p);

/* Makes p->record the header of a record that holds nothing, or of pv_payload_put(), without the numbers
 * and the CRC. */
void pv_record_of_void(pv *p);
void pv_record_of_commit(pv *p, const uint8_t token[8]);

#define PV_NO_SLOT PV_MAX_SLOTS
/* p->record is the one in force, and in this slot. */
void pv_adopt(pv *p, uint8_t slot);

/* Whether one generation is newer than another, and which comes next. */
bool pv_is_newer(uint32_t one, uint32_t other);
uint32_t pv_generation_after(uint32_t generation);

/* ------------------------------------------------------------------ pv_flash.c: records in slots of flash */

/* What is known of a slot: bits of p->slots[]. */
enum {
    PV_VALID = 1,
    PV_SEALED = 2,
    PV_HOLDS_SET = 4,
    PV_CONFIRMED = 8, /* a set that is not on trial */
    PV_WORN = 16      /* it could not be written: the last to be taken again */
};

/* Begins: looks at each slot, as pv_slot_look(). False if the largest set does not fit into one. */
bool pv_flash_begin(pv *p);

/* The longest payload that a slot holds, header and seal being there too. 0: not even those. */
uint32_t pv_room(const pv_flash *flash);
bool pv_flash_read(pv *p, uint32_t at, void *to, size_t size);
/* Where the payload of a slot's record is. */
uint32_t pv_payload_at(const pv *p, uint8_t slot);

/* Erases a slot, and sees to it that it reads so. */
bool pv_slot_erase(pv *p, uint8_t slot);
/* A sink's `take`: writes unit after unit from p->write_at on, which is erased. The second fills the
 * unit that was begun. p->write_failed says whether the flash took all. */
void pv_write_bytes(pv_sink *self, const uint8_t *bytes, size_t size);
void pv_write_padding(pv *p);

/* What comes after the newest generation in any slot. */
uint32_t pv_next_generation(const pv *p);

/* Reads a slot's header into p->record. What does not read right is read again before it is given up,
 * here and below. */
bool pv_header_read(pv *p, uint8_t slot);
/* Reads a slot's record, and takes note of it in p->slots[], p->generations[], p->set_numbers[]. Returns
 * whether it is valid; then p->record is its header. */
bool pv_slot_look(pv *p, uint8_t slot);
/* Makes the slot hold p->record, which lacks only its CRC. The payload is that of the record in
 * `source`; PV_NO_SLOT: pv_payload_put(), or none if the header says so. */
bool pv_slot_write(pv *p, uint8_t slot, uint8_t source);
/* Makes the slot hold a sealed record of nothing: a copy of the one in force, after an erase. */
bool pv_slot_void(pv *p, uint8_t slot);
/* Makes a settings struct of the record in a slot. False for one that does not read right: then the
 * struct holds nothing that may be used. */
bool pv_slot_load(pv *p, uint8_t slot, void *settings);

/* The newest or the oldest of the slots that have all of these flags, among several (bit n: slot n); or
 * PV_NO_SLOT. */
uint8_t pv_choose_slot(const pv *p, uint8_t among, uint8_t flags, bool oldest);
/* Takes the newest valid record as the one in force. */
void pv_choose(pv *p);
/* Loads the record in force into the settings. One that cannot be read any more, though it could a
 * moment ago, gives way to the one before. */
void pv_load_in_force(pv *p);

/* ------------------------------------------------------------------ pv_slots.c, for undo and trials */

/* The set to which a trial that ends badly goes back, or PV_NO_SLOT. */
uint8_t pv_slots_confirmed(const pv *p);
/* At a start, before a record is chosen. A function of its own, so that what a start does next does not
 * stand on its stack. */
void pv_slots_settle(pv *p);
/* A slot that is not needed now, nor for the next commit if there are four; or PV_NO_SLOT. */
uint8_t pv_slots_spare(const pv *p);
/* The set to which undo goes back, or PV_NO_SLOT. */
uint8_t pv_slots_older(const pv *p);
/* Writes a copy of a record as the newest, as a set of its own or as the same. `settings`: where to load
 * it; NULL: nowhere; what cannot be loaded was not written. */
bool pv_slots_republish(pv *p, uint8_t slot, bool as_new, uint8_t starts_left, void *settings);
/* Where to load a set that is not in force yet: with nothing staged, where that would be. */
void *pv_slots_room(const pv *p);
/* Ends what put another set in force, or tried to, and loaded it there. 0 or PV_REFUSE_STORAGE. */
uint8_t pv_slots_take_up(pv *p, void *loaded, bool done);

/* ------------------------------------------------------------------ pv_undo.c, pv_trial.c: without the messages */

/* Each returns 0 or PV_REFUSE_, and changes nothing then. */
uint8_t pv_put_back(pv *p);   /* undo */
uint8_t pv_keep_trial(pv *p); /* confirm: the settings stay as they are */
uint8_t pv_end_trial(pv *p);  /* badly */

/* ------------------------------------------------------------------ pv.c: the conversation */

/* A key of a request's body, and what its value must be [11.2]. */
typedef struct pv_request_key {
    uint8_t key;
    uint8_t form;    /* major type, or PV_ANY */
    uint8_t least;   /* value of an integer, length of text and bytes */
    uint32_t most;
} pv_request_key;

#define PV_COUNT(array) (sizeof(array) / sizeof(array)[0])

/* Flags of a request. */
enum {
    PV_CHANGES = 1,          /* presence may be asked for */
    PV_NAMES_BOOT = 2,       /* PV_KEY_NAMED is the boot number, which must be the present one */
    PV_NAMES_GENERATION = 4  /* the same with the generation */
};

/* Puts the pairs of a body into p->out. It is called twice, the first time to measure, since their number
 * goes before them. So which keys it puts must not depend on what a callback may change. */
typedef void pv_body(pv *p);

/* What the table says of a request [11.1]. */
struct pv_request {
    uint8_t type;
    uint8_t legal;     /* bit n: while the store is in state n; bit 4: with nothing staged; 5: with something */
    uint8_t flags;
    uint8_t required;  /* bit n: key n must be there */
    uint8_t ways[2];   /* of the keys that need not be there: exactly these, or those; 0: any */
    uint8_t needs;     /* capability, or 0 */
    uint8_t key_count;
    const PV_ROM pv_request_key *keys;
    uint8_t (*act)(pv *p); /* does what is requested, and returns 0 or PV_REFUSE_ */
    pv_body *put;          /* of the reply; NULL: `act` has sent it */
};

/* What every board answers: pv_requests.c. */
enum { PV_EVERY_BOARD = 8 };
extern const PV_ROM pv_request pv_every_board[PV_EVERY_BOARD];

/* How a value is put together from parts elsewhere than in its member. What is held is that of
 * p->part_field. */
typedef struct pv_assembly {
    bool (*begin)(pv *p, uint16_t field, uint16_t total);    /* false: there is no room */
    bool (*resume)(pv *p, uint16_t field); /* before the next part; false: the parts before are lost */
    /* Appends; checks a value that is whole then. Returns 0 or PV_REFUSE_. */
    uint8_t (*append)(pv *p, uint16_t field, const uint8_t *bytes, uint16_t size, bool is_whole);
    /* Whether what is held is that at this offset. */
    bool (*equals)(pv *p, uint16_t field, uint16_t offset, const uint8_t *bytes, uint16_t size);
} pv_assembly;

struct pv_keeping {
    const PV_ROM pv_assembly *parts;
    uint8_t (*stage)(pv *p, uint16_t field, const pv_reader *value); /* whole; 0 or PV_REFUSE_ */
    void (*settle)(pv *p); /* what is staged was stored, and is laid over the settings next */
    void (*yield)(pv *p);  /* the unit is written next by somebody else */
    void (*drop)(pv *p);   /* wipes what was staged */
};

struct pv_trial {
    const PV_ROM pv_request *confirm;
    void (*count_start)(pv *p); /* the record in force is a set on trial */
    void (*watch)(pv *p);       /* at every poll */
};

/* Puts the key of a pair; the value is to go into what is returned. */
pv_sink *pv_put_key(pv *p, uint8_t key);
void pv_put_number(pv *p, uint8_t key, uint32_t value);
void pv_put_words(pv *p, uint8_t key, const PV_ROM char *text);
void pv_put_field(pv *p, uint8_t key, uint16_t field); /* its full key; of what is no field no pair */

pv_body pv_put_nothing;
pv_body pv_put_generation; /* of commit, undo, erase and confirm */
/* Sends the reply at once. */
void pv_reply(pv *p, pv_body *put);
uint8_t pv_refuse_with(pv *p, uint8_t code, uint32_t detail);
bool pv_has_key(const pv *p, uint8_t key);

/* Ends an undo, erase or confirm. */
uint8_t pv_generation_changed(pv *p, uint8_t refusal);
/* Forgets parts, save those that field `next` is about to overwrite, and those that are a whole value:
 * they stay, so that the repeat of the last one is known. */
void pv_forget_parts(pv *p, uint16_t next);

/* What p->reported.step is until the firmware reports. */
enum { PV_NO_STEP = 0xFF };

uint32_t pv_now(const pv *p);
uint32_t pv_left_of(uint32_t span, uint32_t elapsed);
bool pv_on_trial(const pv *p);
uint32_t pv_trial_left(const pv *p);
void pv_came_into_force(pv *p);

/* Puts an entry of a page. */
typedef void pv_entry(const pv *p, pv_sink *to, unsigned number);
/* Puts as many entries as fit, and at most so many, from p->first on, of p->count that there are: the last
 * pair of a body. */
void pv_put_page(pv *p, uint8_t key, unsigned most, pv_entry *put_entry);

#endif
