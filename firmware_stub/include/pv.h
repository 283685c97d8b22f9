/* SPDX-License-Identifier: MIT */
/*
 * Provisioning over a serial line: the board's side.
 *
 * The caller owns everything: the state (pv), two settings structs of the generated type, the line
 * buffer, the unit buffer, and a const pv_config of callbacks. Nothing is allocated, nothing is
 * mutable at file scope, nothing recurses. pv_feed takes bytes, pv_poll does the work.
 *
 * The contract is shared/protocol.md; numbers in brackets are its clauses.
 */
#ifndef PV_H
#define PV_H

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

#include "pv_table.h"

/* Where constant tables are. On a processor whose data addresses do not reach program memory the port
 * names the address space (-DPV_ROM=__flash, ISO/IEC TR 18037, 5.1): without it the compiler copies
 * every table to RAM. */
#ifndef PV_ROM
#define PV_ROM
#endif

#ifdef __cplusplus
extern "C" {
#endif

/* Generated code carries the version that it was made for, and refuses to compile with another. */
#define PV_STUB_VERSION 1

/* Compile-time check that also works in C99. */
#define PV_STATIC_ASSERT(name, condition) typedef char pv_assert_##name[(condition) ? 1 : -1]

/* State of the stub. Its members are private. */
typedef struct pv pv;

/* ------------------------------------------------------------------ what generated code is made of */

/* What generated code and firmware name of the stub. What none of them names is not linked. */
typedef struct pv_value_kind pv_value_kind; /* how values of one kind are checked, read and written */
typedef struct pv_request pv_request;       /* a request that a board may offer */
typedef struct pv_store_kind pv_store_kind; /* where sets are kept */
typedef struct pv_trial pv_trial;           /* trials [5.4] */
typedef struct pv_keeping pv_keeping;       /* values that are kept in flash */

extern const PV_ROM pv_value_kind PV_KINDS;
extern const PV_ROM pv_value_kind pv_kind_kept; /* a blob that is kept in flash */

#define PV_NO_FIELD 0xFFFFu

/* Flags of a field's declaration. */
enum {
    PV_REQUIRED = 1,    /* a value must be in force while the field is active */
    PV_SECRET = 2,      /* the value never leaves the board */
    PV_SHARES = 4,      /* another pin field that shares may have the same pin */
    PV_KEPT = 8         /* the value is kept in flash, its member a pv_kept */
};

/* Flags of a field's state: settings struct, member state[field]. */
enum {
    PV_IS_SET = 1,       /* a value is stored */
    PV_FELL_BACK = 2,    /* what is stored does not pass this firmware's checks; the default is in force */
    PV_IN_FORCE = 4,     /* the struct's member holds a value, stored or default */
    PV_IS_ACTIVE = 8,    /* the field applies: its instance is in use, its condition holds */
    PV_IS_STAGED = 16    /* used in the staged struct only: this field is staged, as cleared if it is not set */
};

typedef struct pv_condition {
    uint16_t field;          /* an earlier field [9.5] */
    uint8_t count;           /* of values; 0: holds when that field has a value in force */
    const PV_ROM int32_t *values; /* choice: index of the option; yes-no: 0 or 1; integer, duration: the value */
} pv_condition;

/* A list of texts: one after the other, each ended by NUL, the last by another. */
typedef struct pv_field {
    const PV_ROM char *key;                /* full key [8.2] */
    uint8_t instance;               /* 0: always in use; else the same number for all fields of the instance */
    uint8_t flags;                  /* PV_REQUIRED... */
    uint8_t detail;                 /* pin: abilities needed; text, secret: PV_CHARACTERS_...; ip: families */
    uint16_t offset;                /* of the member in the settings struct */
    int16_t network;                /* passphrase: number of its network-name field; else -1 */
    const PV_ROM char *was;                /* list of older full keys, or NULL; the key with an instance
                                              put in or left out [10] is none of them */
    const PV_ROM pv_value_kind *kind;
    const PV_ROM pv_condition *condition;  /* or NULL */
    const PV_ROM char *names;              /* choice: list of option keys; url: of schemes; else NULL */
    const PV_ROM uint8_t *default_value;   /* as one item of CBOR, which passes its check; or NULL */
    int32_t minimum;                /* value, or length in bytes */
    int32_t maximum;
    uint32_t tag;                   /* kind + 256 * digits + 65536 * unit hash: see STORAGE.md */
} pv_field;

/*
 * How members look in the settings struct, by kind:
 *   int32_t              integer, decimal, pin, port, duration
 *   uint8_t              yes-no (0, 1), choice (index of the option)
 *   char[maximum + 1]    text, secret, passphrase (64 + 1), host, url, time-zone (63 + 1); ended by NUL
 *   {uint16_t length; uint8_t bytes[maximum];}   network-name (32), ip (16), hex, blob
 *   pv_kept              blob with kept = "flash"
 * For kinds with fixed sizes the generator still writes minimum and maximum into the descriptor.
 */

/* The member of a value that is kept in flash. Where it is changes with each commit: pv_read_kept(). */
typedef struct pv_kept {
    uint16_t length;
    uint32_t at;
} pv_kept;

typedef struct pv_pin {
    uint8_t number;
    uint8_t abilities;  /* sum of PV_ABLE_... */
    bool taken;
} pv_pin;

typedef struct pv_schema pv_schema;

/* A settings struct; or what is staged in it over `base`, whose fields count where none is staged. */
typedef struct pv_view {
    const PV_ROM pv_schema *schema;
    uint8_t *set;
    uint8_t *base; /* or NULL */
} pv_view;

/* What is to be said of a field of it: whether something is so, or which other field (PV_NO_FIELD: none)
 * it is so of. */
typedef bool pv_test(const pv_view *view, uint16_t field);
typedef uint16_t pv_search(const pv_view *view, uint16_t field);

struct pv_schema {
    uint16_t stub_version;          /* PV_STUB_VERSION of the generator */
    uint16_t field_count;
    const PV_ROM char *firmware;    /* name */
    const PV_ROM char *firmware_version;
    const PV_ROM char *board;
    const PV_ROM pv_field *fields;
    const PV_ROM pv_pin *pins;
    const PV_ROM uint8_t *deflated;
    uint32_t deflated_size;
    uint32_t settings_size;         /* sizeof the settings struct, whose first member is uint8_t state[field_count] */
    uint32_t largest_payload;       /* bytes of the largest set as it is stored, see STORAGE.md */
    uint16_t line_size;             /* of the shortest line in which every value fits whole; 0: there is none */
    uint16_t trial_seconds;         /* 0: no trial */
    uint8_t pin_count;
    uint8_t digest[8];

    const PV_ROM pv_trial *trial;   /* pv_trials, or NULL */
    const PV_ROM pv_keeping *kept;  /* pv_keeps if there are fields with PV_KEPT, or NULL */
    pv_test *in_use;                /* pv_in_use if there are instances that may be out of use, or NULL */
    pv_test *holds;                 /* pv_holds if a field has a condition, or NULL */
    pv_search *conflict;            /* pv_pin_conflict if there are two fields for pins, or NULL */
};

extern const PV_ROM pv_store_kind pv_store_slots;     /* 3 to 8 slots of flash; four give every promise of STORAGE.md */
extern const PV_ROM pv_store_kind pv_store_pair;      /* 2 slots of flash; neither undo nor trial */
extern const PV_ROM pv_store_kind pv_store_platform;  /* what the platform keeps of its own; neither undo nor trial */
extern const PV_ROM pv_trial pv_trials;
extern const PV_ROM pv_keeping pv_keeps;
pv_test pv_in_use;
pv_test pv_holds;
pv_search pv_pin_conflict;

/* ------------------------------------------------------------------ what the port provides */

/* The port's flash callbacks return 0, or a negative number if they failed. */
typedef struct pv_flash {
    uint32_t erase_unit;    /* bytes */
    uint16_t program_unit;  /* bytes, a power of two up to 256; each is programmed once between erases */
    uint8_t slot_count;     /* 2...8: see pv_config, store */
    uint32_t slot_size;     /* bytes, a multiple of erase_unit */
    /* Offsets count from the start of the settings area; slot n starts at n * slot_size. */
    int (*read)(void *context, uint32_t offset, void *to, size_t size);
    int (*program)(void *context, uint32_t offset, const void *from, size_t size); /* one program unit */
    int (*erase)(void *context, uint32_t offset);                                  /* one erase unit */
} pv_flash;

/* For pv_store_platform: what the platform keeps by itself, a key with its value or a file; STORAGE.md,
 * On a platform's own store, says what it must promise. The callbacks return 0, or a negative number if
 * they failed. */
typedef struct pv_platform {
    uint32_t (*size)(void *context); /* bytes of the record that is kept; 0: none */
    int (*read)(void *context, uint32_t offset, void *to, size_t size);
    int (*append)(void *context, const void *bytes, size_t size); /* to the next record */
    /* Keeps the next record in place of the one kept, and returns once that is durable; or, where it is
     * not `whole`, drops it. In both cases, and if it fails, the next record is empty again. */
    int (*finish)(void *context, bool whole);
} pv_platform;

typedef struct pv_network {
    uint8_t name[PV_MAX_NETWORK_NAME];
    uint8_t length;    /* 1...32: a network that hides its name is left out */
    int8_t signal;     /* dBm, at most 0 */
    uint8_t security;  /* PV_SECURITY_... */
} pv_network;

/* Networks in range. */
typedef struct pv_survey {
    void (*start)(void *context);
    uint8_t (*count)(void *context, bool *done);             /* found so far; kept until the next start */
    void (*get)(void *context, uint8_t index, pv_network *to);
} pv_survey;

/* Requests that a firmware may name in config.requests. */
extern const PV_ROM pv_request pv_request_undo;    /* of pv_store_slots */
extern const PV_ROM pv_request pv_request_survey;  /* config.survey */
extern const PV_ROM pv_request pv_request_locate;  /* config.locate */
extern const PV_ROM pv_request pv_request_restart; /* config.restart */

/* Values in parts [6.4]. */
typedef uint8_t pv_take_part(pv *p, uint16_t field);
pv_take_part pv_parts;

typedef struct pv_config {
    const PV_ROM pv_schema *schema;
    const PV_ROM pv_store_kind *store; /* pv_store_slots, pv_store_pair or pv_store_platform */
    const pv_flash *flash;       /* of the first two; else NULL */
    const pv_platform *platform; /* of the last; else NULL */
    const PV_ROM pv_request *const *requests; /* what is offered beyond what every board answers, ended by NULL; or NULL */
    pv_take_part *parts;         /* pv_parts; or NULL: line_size is at least schema->line_size */
    void *context;           /* passed to every callback */
    void *settings;          /* of the generated type: the set in force; read it, never write it */
    void *staged;            /* of the generated type: what is staged; leave it alone */
    uint8_t *line;           /* the receive buffer */
    uint16_t line_size;      /* bytes of it: BODY 128...655 characters plus 8 */
    uint8_t *unit;           /* a buffer of one program unit; without flash NULL */
    uint16_t credit;         /* bytes that the port buffers while pv_feed takes none, plus line_size + 3 */
    uint16_t commit_time;    /* milliseconds [6.1] */
    uint16_t erase_time;
    uint32_t apply_time;
    uint32_t listens;        /* milliseconds that the board listens after its start; 0: for as long as it runs */
    uint16_t capabilities;   /* PV_CAN_RECEIVES_WHILE_STORING, PV_CAN_ERASE_NOT_PHYSICAL */
    const uint8_t *unit_id;  /* 1...16 bytes [5.2] */
    uint8_t unit_id_size;
    uint32_t boot_number;
    void (*write)(void *context, const uint8_t *bytes, size_t size);  /* takes all */
    uint32_t (*clock)(void *context);                                 /* milliseconds, wraps */
    void (*apply)(void *context);     /* the set in force changed (start if complete, commit, undo, end of a trial) or is erased; or NULL */
    bool (*present)(void *context);   /* NULL: presence is not required */
    void (*restart)(void *context);   /* for pv_request_restart: it first sends what write still holds */
    void (*locate)(void *context);    /* for pv_request_locate */
    const pv_survey *survey;          /* for pv_request_survey */
} pv_config;

/* ------------------------------------------------------------------ the stub */

/* Negative results of pv_start. */
enum {
    PV_ERROR_CONFIG = -1,   /* a size or pointer of the config is out of its limits */
    PV_ERROR_VERSION = -2,  /* generated code and stub are of different versions */
    PV_ERROR_SPACE = -3     /* the largest set does not fit into a slot */
};

#include "pv_state.h" /* struct pv, so that the caller can place it */

/* Whether every size and pointer of a config is within its limits. pv_start takes that for granted: a
 * firmware asks while it is written, or once before pv_start. */
bool pv_is_sound(const pv_config *config);

/* Loads the set in force, repairs what an interrupted write left, calls apply if the set is complete.
 * Returns 0 or a negative PV_ERROR_. */
int pv_start(pv *p, const pv_config *config);

/* Takes bytes that arrived; returns how many it took. Fewer than given: call pv_poll, then again.
 * Do not call it from an interrupt that may interrupt pv_poll. */
size_t pv_feed(pv *p, const uint8_t *bytes, size_t size);

/* Answers at most one request, and handles timeouts. */
void pv_poll(pv *p);

/* Reports what the firmware does with the set in force [6.6]: status shows it; proven ends a trial well
 * (at the next pv_poll). A firmware that cannot tell reports PV_RUN_NOT_REPORTED in apply; without an
 * apply the stub does. */
void pv_report(pv *p, uint8_t run, uint8_t step, uint8_t reason);

/* The same with the field at fault (its number; PV_NO_FIELD: none). */
void pv_report_field(pv *p, uint8_t run, uint8_t step, uint8_t reason, uint16_t field);

/* The board's network address, 4 or 16 bytes; 0 bytes: none. */
void pv_report_address(pv *p, const uint8_t *address, uint8_t size);

/* PV_STORE_EMPTY, _INCOMPLETE, _COMPLETE or _TRIAL. */
uint8_t pv_store_state(const pv *p);

/* Whether a value is in force for the field and the field is active. */
bool pv_has(const pv *p, uint16_t field);

/* Reads bytes of a value that is kept in flash, from `offset` on; not from within a callback. False if no
 * value is in force for the field, if it is not that long, or if the flash could not be read. What was
 * read before and after a call of apply may be of two sets. */
bool pv_read_kept(pv *p, uint16_t field, uint16_t offset, void *to, uint16_t size);

#ifdef __cplusplus
}
#endif

#endif
