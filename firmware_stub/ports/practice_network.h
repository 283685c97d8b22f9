/* SPDX-License-Identifier: MIT */
/*
 * The steps of going online on a board that has no radio: they take a while, and fail only for names
 * and addresses that standards keep for that. It has the part of port.h that asks no list of
 * networks; joining and the service's key are the port's.
 */
#ifndef PRACTICE_NETWORK_H
#define PRACTICE_NETWORK_H

#include "port.h"

/* Whether a step, a PV_STEP_, is over; it begins when it is not the one before, and takes `ms`. */
bool practice_is_done(uint8_t step, uint32_t ms);

/* Milliseconds until a step that was begun is over, at most `most`. */
uint32_t practice_left(uint32_t most);

#endif
