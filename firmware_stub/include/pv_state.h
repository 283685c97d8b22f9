/* SPDX-License-Identifier: MIT */
/* The state of the stub: in a header only so that the caller can place it. Included by pv.h. */
#ifndef PV_STATE_H
#define PV_STATE_H

/* Where an encoder's bytes go. The taker's own struct has this as its first member. */
typedef struct pv_sink {
    void (*take)(struct pv_sink *self, const uint8_t *bytes, size_t size);
} pv_sink;

/* The line that is being sent: base64url and CRC on the fly, handed to config->write in pieces. */
typedef struct pv_line_out {
    pv_sink sink;
    const pv_config *config;
    uint32_t crc;
    uint32_t bits;      /* the last bit_count of them were not sent yet: fewer than make a character */
    uint8_t bit_count;
    uint8_t fill;
    uint8_t chunk[32];
} pv_line_out;

/* What the store knows about a slot; its own affair. */
typedef struct pv_slot {
    uint32_t generation;
    uint32_t set_number;
    uint8_t state;
} pv_slot;

/* What the store knows about the record in force. pv_store.c writes it, the rest reads it. */
typedef struct pv_storage {
    uint32_t generation;  /* in force; 0: nothing was ever stored */
    uint32_t set_number;
    uint8_t token[8];     /* of the set in force */
    bool holds_set;       /* the record in force is a set: it has a token, the board is not empty */
    uint8_t starts_left;  /* of a set on trial; 0: confirmed */
    uint8_t slot;         /* of the record in force */
    pv_slot slots[PV_MAX_SLOTS];
} pv_storage;

/* Why a set is incomplete [9.6]: a field that needs a value and has none, or the later of two fields
 * that have one pin in force, and `other`, the earlier. PV_NO_FIELD where there is none. */
typedef struct pv_defect {
    uint16_t field;
    uint16_t other;
} pv_defect;

struct pv {
    const pv_config *config;
    pv_storage storage;

    /* Times of config->clock. */
    uint32_t started;
    uint32_t answered;  /* the last request [5.1] */
    uint32_t in_force;  /* when the set came into force [5.4] */

    /* Receiving: pv_line.c. */
    uint16_t fill;      /* characters in config->line */
    uint8_t receiving;

    /* Sending: pv_line.c. Here and not on the stack, which a small board has least of. */
    pv_line_out out;

    /* The undo, erase or confirm that brought about the present generation [6.7]; 0: none. */
    uint8_t done;
    uint32_t done_named;  /* the generation that it named */

    /* A value in parts [6.4], assembled in its member of the staged struct. */
    uint16_t part_field;  /* or PV_NO_FIELD */
    uint16_t part_total;
    uint16_t part_held;
    uint16_t part_last;   /* where the last part began that was taken */

    uint16_t capabilities;
    pv_defect defect;      /* of the set in force */

    /* What the firmware reported [6.6]. */
    uint16_t fault_field;
    uint8_t run;
    uint8_t step;
    uint8_t reason;
    uint8_t address_size;
    uint8_t address[16];

    uint8_t scan;          /* number of the newest survey; 0: none yet */
    bool silent;           /* config->listens is over */
    bool confirm_due;      /* the firmware reported proven */
    bool apply_due;        /* a set came into force: call config->apply once the reply is out */
};

#endif
