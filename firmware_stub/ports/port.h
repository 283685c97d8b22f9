/* SPDX-License-Identifier: MIT */
/*
 * What the example firmware has from the board that it runs on. A port is one implementation of it:
 * ports/pty plays a board on a POSIX system. On a board of your own these are the drivers that you
 * have anyway; nothing in the stub needs this header.
 *
 * The callbacks take the stub's context pointer, which the example leaves NULL.
 */
#ifndef PORT_H
#define PORT_H

#include "pv.h"

/* ------------------------------------------------------------------ the board */

/* Before everything else. Returns 0, or what main is to return at once. */
int port_begin(int argc, char **argv, const pv_flash *flash);

/* Whether the board is still powered; on a real one for ever. */
bool port_is_on(void);

/* Waits until bytes arrive or something is due, at most a quarter of a second. Returns how many
 * bytes it read, 0 if none came. */
size_t port_read(uint8_t *to, size_t size);

/* Bytes that the port keeps while nobody reads. */
#define PORT_BUFFERED 2048u

/* PV_CAN_RECEIVES_WHILE_STORING, PV_CAN_ERASE_NOT_PHYSICAL: what the port says of itself. */
extern const uint16_t port_capabilities;

/* A line of the firmware's log, to the same serial port. Never a setting's value. */
void port_log(const char *line);

/* For pv_config. */
void port_write(void *context, const uint8_t *bytes, size_t size);
uint32_t port_clock(void *context);
void port_restart(void *context);
void port_locate(void *context);
int port_flash_read(void *context, uint32_t offset, void *to, size_t size);
int port_flash_program(void *context, uint32_t offset, const void *from, size_t size);
int port_flash_erase(void *context, uint32_t offset);
const pv_survey *port_survey(void); /* NULL: this board finds no networks */
uint32_t port_boot_number(void);
extern uint8_t port_unit_id[16], port_unit_id_size;

/* ------------------------------------------------------------------ the network */

/* Each is called again and again, with the same arguments, until it returns something else than
 * PORT_BUSY: PV_REASON_NONE where it worked, else the PV_REASON_ why not. */
#define PORT_BUSY (-1)

int port_join(const uint8_t *name, size_t length, const char *passphrase); /* "": an open network */
int port_address(uint8_t address[4]); /* most significant first */
int port_resolve(const char *host);
int port_reach(const char *host, int32_t number);
int port_authorize(const char *key);

/* Forgets what it is busy with. */
void port_cancel(void);

#endif
