/* SPDX-License-Identifier: MIT */
/* Flash that obeys the rules of NOR flash, counts operations, and loses power in any of them. */
#ifndef FLASH_H
#define FLASH_H

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

enum { FLASH_MOST_BYTES = 32768, FLASH_MOST_UNITS = 512, FLASH_LOGGED = 4096 };

/* What a program or an erase that was cut short leaves behind. */
enum flash_tear {
    TEAR_NOTHING,      /* as if it had not begun */
    TEAR_PREFIX,       /* the first `bytes` bytes are done */
    TEAR_SUBSET,       /* each bit is done or not */
    TEAR_ALL_BUT_LAST, /* the last byte of a program, the last program unit of an erase, is not done
                        */
    TEAR_UNSTABLE,     /* another reading at each start: before, after, or a mixture of both */
    TEAR_ECC           /* the same, or the unit cannot be read */
};

typedef struct flash_model {
    uint32_t size;
    uint32_t erase_unit;
    uint32_t program_unit;

    /* Of these only what the size asks for is used, and copied by flash_copy(). */
    uint8_t seen[FLASH_MOST_BYTES];         /* what a read gives in this power cycle */
    uint8_t before[FLASH_MOST_BYTES];       /* of torn bytes: without the operation */
    uint8_t after[FLASH_MOST_BYTES];        /* and with it */
    uint8_t torn[FLASH_MOST_BYTES];         /* by program unit: 0, TEAR_UNSTABLE or TEAR_ECC */
    uint8_t unreadable[FLASH_MOST_BYTES];   /* by program unit, in this power cycle */
    uint8_t programmed[FLASH_MOST_BYTES];   /* by program unit, since its last erase */
    uint8_t erased_now[FLASH_MOST_UNITS];   /* by erase unit: erased in this power cycle */
    uint32_t erases[FLASH_MOST_UNITS];      /* by erase unit: wear */

    uint8_t intended[FLASH_MOST_BYTES];     /* by an operation; here, as it may be a secret */

    uint16_t sizes[FLASH_LOGGED]; /* by operation of this power cycle: bytes */
    uint32_t random;
    /* Numbers of operations and reads are those of this power cycle; UINT32_MAX: none. */
    uint32_t operations; /* programs and erases */
    uint32_t cut_at;     /* the operation that loses power */
    uint32_t cut_bytes;
    uint32_t cut_tear;
    uint32_t fail_from; /* operations from this one on report failure, up to fail_to */
    uint32_t fail_to;
    uint32_t silent; /* this operation does nothing, and reports success */
    uint32_t spoils; /* this operation also clears the byte at `spoiled` */
    uint32_t spoiled;
    uint32_t reads;
    uint32_t fail_reads; /* reads from this one on fail */
    uint32_t wrong_read; /* this one fails, or has one bit of it wrong */
    uint32_t wrong_bit;  /* UINT32_MAX: it fails */
    uint32_t wrong_size; /* bytes of it, once it was */
    uint32_t doubted;    /* for good: operations of so many bytes are done, and report failure */
    uint32_t worn_out;   /* for good: erase units that cannot be erased any more, as a set of bits */
    uint32_t broken_rules;
    bool dead;
} flash_model;

void flash_blank(flash_model *flash, uint32_t size, uint32_t erase_unit, uint32_t program_unit,
                 uint32_t seed);

/* Another flash in the same state. Faster than the struct, most of which is not in use. */
void flash_copy(flash_model *to, const flash_model *from);

/* A new power cycle: torn units take another reading. */
void flash_power_on(flash_model *flash);

/* The same; torn units of erase unit n read as after the operation where bit n is set, else as
 * before. */
void flash_power_on_as(flash_model *flash, uint32_t happened);

/* Puts content there, as another life of the board left it. */
void flash_load(flash_model *flash, const uint8_t *content);

/* The erase units in which something is torn, as a set of bits. */
uint32_t flash_torn(const flash_model *flash);

/* All that outlives the loss of power, to compare: three bytes for each of the flash. */
void flash_durable(const flash_model *flash, uint8_t *to);

int flash_read(flash_model *flash, uint32_t offset, void *to, size_t size);
int flash_program(flash_model *flash, uint32_t offset, const void *from, size_t size);
int flash_erase(flash_model *flash, uint32_t offset);

/* xorshift32 (Marsaglia 2003): small, and the same on every machine. */
uint32_t xorshift(uint32_t *random);

#endif
