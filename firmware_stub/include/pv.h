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

#ifdef __cplusplus
extern "C" {
#endif

/* Generated code carries the version that it was made for, and refuses to compile with another. */
#define PV_STUB_VERSION 1

/* Compile-time check that also works in C99. */
#define PV_STATIC_ASSERT(name, condition) typedef char pv_assert_##name[(condition) ? 1 : -1]

/* ------------------------------------------------------------------ what generated code is made of */

/* How values of one kind are checked, read and written. A kind that no field uses is not linked. */
typedef struct pv_value_kind pv_value_kind;

extern const pv_value_kind PV_KINDS;

/* Flags of a field's declaration. */
enum {
    PV_REQUIRED = 1,    /* a value must be in force while the field is active */
    PV_SECRET = 2,      /* the value never leaves the board */
    PV_SHARES = 4       /* another pin field that shares may have the same pin */
};

/* Flags of a field's state: settings struct, member state[field]. */
enum {
    PV_IS_SET = 1,       /* a value is stored */
    PV_IS_ACTIVE = 2,    /* the field applies: its instance is in use, its condition holds */
    PV_FELL_BACK = 4,    /* what is stored does not pass this firmware's checks; the default is in force */
    PV_IN_FORCE = 8,     /* the struct's member holds a value, stored or default */
    PV_IS_STAGED = 16,   /* used in the staged struct only: this field is staged */
    PV_IS_CLEARED = 32   /* used in the staged struct only: staged as cleared */
};

typedef struct pv_condition {
    uint16_t field;          /* an earlier field [9.5] */
    uint8_t count;           /* of values; 0: holds when that field has a value in force */
    const int32_t *values;   /* choice: index of the option; yes-no: 0 or 1; integer, duration: the value */
} pv_condition;

typedef struct pv_field {
    const char *key;                /* full key [8.2] */
    const char *const *was;         /* older full keys, ended by NULL; or NULL */
    const pv_value_kind *kind;
    const pv_condition *condition;  /* or NULL */
    const char *const *names;       /* choice: option keys; url: schemes; ended by NULL; else NULL */
    const uint8_t *default_value;   /* as one item of CBOR, which passes its check; or NULL */
    int32_t minimum;                /* value, or length in bytes */
    int32_t maximum;
    uint32_t tag;                   /* kind + 256 * digits + 65536 * unit hash: see STORAGE.md */
    uint16_t offset;                /* of the member in the settings struct */
    int16_t network;                /* passphrase: number of its network-name field; else -1 */
    uint8_t instance;               /* 0: always in use; else the same number for all fields of the instance */
    uint8_t flags;                  /* PV_REQUIRED... */
    uint8_t detail;                 /* pin: abilities needed; text, secret: PV_CHARACTERS_...; ip: families */
} pv_field;

/*
 * How members look in the settings struct, by kind:
 *   int32_t              integer, decimal, pin, port, duration
 *   uint8_t              yes-no (0, 1), choice (index of the option)
 *   char[maximum + 1]    text, secret, passphrase (64 + 1), host, url, time-zone (63 + 1); ended by NUL
 *   {uint16_t length; uint8_t bytes[maximum];}   network-name (32), ip (16), hex, blob
 * For kinds with fixed sizes the generator still writes minimum and maximum into the descriptor.
 */

typedef struct pv_pin {
    uint8_t number;
    uint8_t abilities;  /* sum of PV_ABLE_... */
    bool taken;
} pv_pin;

typedef struct pv_schema {
    uint16_t stub_version;          /* PV_STUB_VERSION of the generator */
    uint16_t field_count;
    const char *firmware;           /* name */
    const char *firmware_version;
    const char *board;
    const pv_field *fields;
    const pv_pin *pins;
    const uint8_t *deflated;
    uint32_t deflated_size;
    uint32_t settings_size;         /* sizeof the settings struct, whose first member is uint8_t state[field_count] */
    uint32_t largest_payload;       /* bytes of the largest set as it is stored, see STORAGE.md */
    uint16_t trial_seconds;         /* 0: no trial */
    uint8_t pin_count;
    uint8_t digest[8];
} pv_schema;

/* ------------------------------------------------------------------ what the port provides */

/* The port's flash callbacks return 0, or a negative number if they failed. */
typedef struct pv_flash {
    uint32_t erase_unit;    /* bytes */
    uint16_t program_unit;  /* bytes, 1...256; each is programmed once between erases */
    uint8_t slot_count;     /* 2...8; four give every promise of STORAGE.md */
    uint32_t slot_size;     /* bytes, a multiple of erase_unit */
    /* Offsets count from the start of the settings area; slot n starts at n * slot_size. */
    int (*read)(void *context, uint32_t offset, void *to, size_t size);
    int (*program)(void *context, uint32_t offset, const void *from, size_t size); /* one program unit */
    int (*erase)(void *context, uint32_t offset);                                  /* one erase unit */
} pv_flash;

typedef struct pv_network {
    uint8_t name[PV_MAX_NETWORK_NAME];
    uint8_t length;    /* 1...32: a network that hides its name is left out */
    int8_t signal;     /* dBm, at most 0 */
    uint8_t security;  /* PV_SECURITY_... */
} pv_network;

/* Optional: networks in range. */
typedef struct pv_survey {
    void (*start)(void *context);
    uint8_t (*count)(void *context, bool *done);             /* found so far; kept until the next start */
    void (*get)(void *context, uint8_t index, pv_network *to);
} pv_survey;

typedef struct pv_config {
    const pv_schema *schema;
    const pv_flash *flash;
    void *context;           /* passed to every callback */
    void *settings;          /* of the generated type: the set in force; read it, never write it */
    void *staged;            /* of the generated type: what is staged; leave it alone */
    uint8_t *line;           /* the receive buffer */
    uint16_t line_size;      /* bytes of it: BODY 128...655 characters plus 8 */
    uint8_t *unit;           /* a buffer of one program unit */
    uint16_t credit;         /* bytes that the port buffers while pv_feed takes none, plus line_size + 3 */
    uint16_t commit_time;    /* milliseconds [6.1] */
    uint16_t erase_time;
    uint32_t apply_time;
    uint32_t listens;        /* milliseconds that the board listens after its start; 0: for as long as it runs */
    uint16_t capabilities;   /* PV_CAN_... beyond what the members below show: undo, receives-while-storing, erase-not-physical */
    const uint8_t *unit_id;  /* 1...16 bytes [5.2] */
    uint8_t unit_id_size;
    uint32_t boot_number;
    void (*write)(void *context, const uint8_t *bytes, size_t size);  /* takes all */
    uint32_t (*clock)(void *context);                                 /* milliseconds, wraps */
    void (*apply)(void *context);     /* the set in force changed (start if complete, commit, undo, end of a trial) or is erased; or NULL */
    void (*restart)(void *context);   /* it first sends what write still holds; NULL: not offered */
    bool (*present)(void *context);   /* NULL: presence is not required */
    void (*locate)(void *context);    /* NULL: not offered */
    const pv_survey *survey;          /* NULL: not offered */
} pv_config;

/* ------------------------------------------------------------------ the stub */

/* Negative results of pv_start. */
enum {
    PV_ERROR_CONFIG = -1,   /* a size or pointer of the config is out of its limits */
    PV_ERROR_VERSION = -2,  /* generated code and stub are of different versions */
    PV_ERROR_SPACE = -3     /* the largest set does not fit into a slot */
};

/* State of the stub. Its members are private. */
typedef struct pv pv;

#include "pv_state.h" /* struct pv, so that the caller can place it */

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
#define PV_NO_FIELD 0xFFFFu
void pv_report_field(pv *p, uint8_t run, uint8_t step, uint8_t reason, uint16_t field);

/* The board's network address, 4 or 16 bytes; 0 bytes: none. */
void pv_report_address(pv *p, const uint8_t *address, uint8_t size);

/* PV_STORE_EMPTY, _INCOMPLETE, _COMPLETE or _TRIAL. */
uint8_t pv_store_state(const pv *p);

/* Whether a value is in force for the field and the field is active. */
bool pv_has(const pv *p, uint16_t field);

#ifdef __cplusplus
}
#endif

#endif
