/* SPDX-License-Identifier: MIT */
/* The state of the stub: in a header only so that the caller can place it. Included by pv.h.
 * What is used most comes first, bytes before halfwords before words: the smallest processors reach only
 * 32 of each from a pointer in one instruction. */
#ifndef PV_STATE_H
#define PV_STATE_H

/* Where an encoder's bytes go. */
typedef struct pv_sink {
    void (*take)(struct pv_sink *self, const uint8_t *bytes, size_t size); /* NULL: they are only measured */
    uint32_t size; /* of all that came */
    uint32_t crc;  /* of what is measured: CRC-32C, running */
} pv_sink;

/* What a request brought, by its keys [11.2]. */
typedef struct pv_argument {
    uint32_t number;       /* of text and bytes the length */
    const uint8_t *bytes;  /* a value of any kind is a whole item, the first of `number` bytes */
} pv_argument;

/* Why a set is incomplete [9.6]: a field that needs a value and has none, or the later of two fields
 * that have one pin in force, and `other`, the earlier. PV_NO_FIELD where there is none. */
typedef struct pv_defect {
    uint16_t field;
    uint16_t other;
} pv_defect;

/* What the firmware reported [6.6]. */
typedef struct pv_reported {
    uint8_t run;
    uint8_t step;
    uint8_t reason;
    uint8_t address_size;
    uint16_t field;
} pv_reported;

/* The header of a record in flash: STORAGE.md. */
typedef struct pv_record {
    uint32_t magic;
    uint32_t generation;
    uint32_t set_number;
    uint8_t kind;
    uint8_t starts_left;
    uint16_t zero;
    uint8_t token[8];
    uint8_t digest[8];
    uint32_t length;
    uint32_t payload_crc;
    uint32_t also_zero;
    uint32_t crc;
} pv_record;

struct pv {
    pv_sink out; /* the first member, so that whoever takes its bytes finds the rest */

    /* The request that is answered. */
    uint8_t type;
    uint8_t present;      /* bit n: key n is there */
    uint8_t refusal;      /* PV_REFUSE_, or 0 [7.1] */
    bool has_detail;      /* of the refusal */
    bool names_field;     /* of the refusal: the one that the request named */
    uint8_t pairs;        /* of the reply's body */

    /* The record in force. The store writes it, here and below, and the rest reads it. */
    bool holds_set;       /* it is a set: it has a token, the board is not empty */
    uint8_t starts_left;  /* of a set on trial; 0: confirmed */
    uint8_t slot;         /* where there are slots */
    uint8_t staging;      /* the slot where values are staged that are kept in flash, or PV_NO_SLOT */

    /* Sending [2.1]: what was not sent yet of the characters, and of the bits. */
    uint8_t bit_count;
    uint8_t chunk_fill;

    bool write_failed;
    uint8_t receiving;
    bool silent;       /* config->listens is over */
    bool confirm_due;  /* the firmware reported proven */
    bool apply_due;    /* a set came into force: call config->apply once the reply is out */

    /* The undo, erase or confirm that brought about the present generation [6.7]; 0: none. */
    uint8_t done;

    pv_reported reported;

    uint8_t scan;         /* number of the newest survey; 0: none yet */
    bool scan_done;

    uint16_t id;          /* of the request */

    uint16_t fill;        /* characters in config->line */
    uint16_t unit_fill;   /* bytes in config->unit */
    uint16_t capabilities;

    /* A value in parts [6.4], assembled in its member of the staged struct. */
    uint16_t part_field;  /* or PV_NO_FIELD */
    uint16_t part_total;
    uint16_t part_held;

    pv_defect defect;     /* of the set in force */
    pv_defect fault;      /* of a refused commit */

    /* A page of entries. */
    uint16_t first;
    uint16_t count;       /* all that there are */
    uint16_t entries;     /* that are sent */

    uint16_t part_last;   /* where the last part began that was taken */

    /* Of the config, and the config itself. */
    const PV_ROM pv_schema *schema;
    const pv_flash *flash;
    uint8_t *settings;
    uint8_t *staged;
    const pv_config *config;

    uint32_t done_named;  /* the generation that the request named of which `done` is the type */

    /* Times of config->clock. */
    uint32_t started;
    uint32_t answered;    /* the last request [5.1] */
    uint32_t in_force;    /* when the set came into force [5.4] */

    uint32_t write_at;    /* in flash: where the unit goes that fills */
    uint32_t generation;  /* in force; 0: nothing was ever stored */
    uint32_t detail;      /* of the refusal */
    pv_argument arguments[PV_ARGUMENTS];
    uint32_t staging_at;  /* as write_at, in the slot where values are staged */
    uint32_t aside_at;    /* there: the last unit that was put aside */

    /* Of the record in force. */
    uint32_t set_number;
    uint8_t token[8];

    pv_record record;     /* the one that is read or written */

    /* What is known of each slot; its store's affair. */
    uint32_t generations[PV_MAX_SLOTS];
    uint32_t set_numbers[PV_MAX_SLOTS];
    uint8_t slots[PV_MAX_SLOTS];

    pv_reported told;     /* what a status tells of it: a callback may report while that is sent */

    uint16_t bits;        /* the last bit_count of them were not sent yet: fewer than make a character */

    uint8_t address[16];
    uint8_t chunk[32];    /* characters to be sent, or what is read of flash: never both at a time */
};

#endif
