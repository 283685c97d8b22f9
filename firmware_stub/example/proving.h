/* SPDX-License-Identifier: MIT */
/* The firmware's own work with its settings: it joins the network, reaches the service, and tells
 * the stub how it gets on. */
#ifndef PROVING_H
#define PROVING_H

#include "orchard_frost_alarm.h"

/* Begins anew with the set in force; stops what it was at if that is incomplete. */
void proving_begin(pv *p);

/* Does what there is to do now, which is little. */
void proving_poll(pv *p, const orchard_frost_alarm *settings);

#endif
