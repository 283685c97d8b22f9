/* SPDX-License-Identifier: MIT */
/*
 * What a board may tell, derived from what was asked of it, and from nothing that the store says.
 *
 * The invariants, by number as violations are reported:
 *
 *  1  Starts. Every start ends without an error, in the application or in provisioning (a required
 *     value is missing, or none is), and nothing breaks a rule of the flash.
 *  2  Whole. In force is a set that a request wrote, value for value as this firmware must read it,
 *     or none.
 *  3  Lasting. What was acknowledged, or told at a start, is in force at every later start until
 *     something else was asked for. A request that power cut short was done, or was not.
 *  4  Trial. A set on trial that is not confirmed gives way to the confirmed one at the third start,
 *     and not before; the confirmed one is never lost.
 *  5  Generation. It is 0 until something is asked for, and never again; it grows with every
 *     acknowledged request, 1 following 2^32-1, and never goes back, after an erase not even for a
 *     flipped bit; and no two states of a board are told under the same one. Three cuts in
 *     succession excepted: then it may go back to that of an older copy of the same set, but not
 *     behind the last acknowledged request.
 *  6  Token. The token told is that of the commit which the set in force came by; with none in
 *     force none is told.
 *  7  Gone. Once a start or an erase has ended with the set wiped, no slot holds a byte of any value.
 *  8  Undo. It puts in force the set before, and is refused only where there is none or it is
 *     incomplete under this firmware. A refused request changes nothing.
 *  9  Serves. After all that, the board takes a new set and keeps it.
 *
 * A board with fewer slots than its flash asks for promises less (STORAGE.md, "Promises"): there 3
 * to 5 and 8 hold only in part; see `weak` and state.unsure.
 */
#ifndef ORACLE_H
#define ORACLE_H

#include "store_board.h"

enum invariant {
    HOLDS,
    STARTS,
    WHOLE,
    LASTING,
    TRIAL_KEPT,
    GENERATION,
    TOKEN,
    GONE,
    UNDO,
    SERVES,
    INVARIANTS
};

enum { NO_SET = -1, MOST_SETS = 512, MOST_STATES = 240, NAMED = 64 };

/* The values of a commit, as a person would write them down: independent of any firmware. */
typedef struct content {
    uint8_t has;        /* bit n: field n has a value */
    uint8_t version;    /* of the schema that it was written under: FIRST, SECOND, THIRD */
    uint8_t mode;       /* 0 off, 1 siren, 2 lamp */
    uint8_t certificate_length;
    int32_t hundredths; /* of a metre */
    int32_t height;
    char name[17];
    char key[25];
    uint8_t certificate[64];
} content;

typedef struct one_set {
    uint8_t token[8];
    content values;
} one_set;

/* One of the states that a board may be in. */
typedef struct state {
    int16_t current;   /* the set in force */
    int16_t confirmed; /* to which a trial that ends badly goes back */
    int16_t older;     /* to which undo goes back */
    uint8_t starts_left;
    uint8_t unsure; /* undo may as well find another set, or none */
} state;

typedef struct oracle {
    bool weak; /* what only a start told may be taken back, see STORAGE.md */
    bool few;  /* fewer slots than undo needs after one cut; after two it may be lost on any board */
    bool asked;  /* anything at all */
    bool misread; /* something read wrongly: with few slots a start may find none to count in */
    bool beyond; /* more cuts than the board withstands: 1, 2, 6, 7 and 9 still hold */
    uint8_t count;    /* of the possible states */
    uint8_t matching; /* so many of them, the first, are as the board told last */
    uint8_t cuts;     /* since nothing was torn */
    int16_t sets;     /* how many there are in the table */
    uint32_t told;         /* the generation */
    uint32_t acknowledged; /* that of the last request which was */
    state possible[MOST_STATES];
    struct {
        uint32_t generation;
        int16_t current;
        uint8_t starts_left;
    } named[NAMED]; /* what was told under a generation */
} oracle;

/* The requests, and a start, as a scenario names them. */
enum request { COMMIT, AGAIN, UNDO_IT, ERASE_ALL, CONFIRM, EXPIRE, START, REQUESTS };

/* What a commit stages: values that only this number has; without blob and secret; as long as they
 * may be; every clearing there is; nothing; of lengths that the number decides. */
enum shape { PLAIN, SMALL, LONG, CLEARED, SAME, VARIED, SHAPES };

typedef struct step {
    uint8_t request;
    uint8_t shape;
    uint8_t firmware; /* of a start */
    uint16_t number;  /* of a commit: no two alike, but by AGAIN */
} step;

/* No set was ever stored (generation 0), or all were erased when the board had got so far. */
void oracle_begin(oracle *o, bool weak, bool few, uint32_t generation);

/* Stages what the step says on a board, and writes into the table the set that comes of it. Returns
 * its index. */
int oracle_stage(oracle *o, one_set *sets, board *b, const step *s, unsigned firmware);

/* The step was done and acknowledged (refusal 0), or refused; `added` of oracle_stage. */
int oracle_answered(oracle *o, const one_set *sets, const board *b, const step *s,
                    unsigned firmware, int added, int refusal);

/* Power went in the middle of the step. */
void oracle_cut(oracle *o, const step *s, unsigned firmware, int added, int undone);

/* A start has ended. */
int oracle_started(oracle *o, const one_set *sets, const board *b, unsigned firmware, int error);

/* A bit of the flash was flipped: any set of the table may be in force, or none. `elsewhere`: the
 * bit is not in the record in force, or what is in force is that all was erased: nothing changes. */
int oracle_flipped(const oracle *o, const one_set *sets, const board *b, unsigned firmware,
                   int error, bool elsewhere);

/* The set that the board tells; NO_SET: none; MOST_SETS: none of the table. */
int oracle_told(const oracle *o, const one_set *sets, const board *b, unsigned firmware);

/* Whether the state that a board is in, or one that it may be in, is in a trial. */
bool oracle_in_trial(const oracle *o);

#endif
