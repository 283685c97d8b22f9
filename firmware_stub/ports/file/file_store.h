/* SPDX-License-Identifier: MIT */
/* Settings in a file, for pv_store_platform: an example of what a platform keeps by itself (POSIX). */
#ifndef FILE_STORE_H
#define FILE_STORE_H

#include "pv.h"

/* Names the folder, which is there already, and cleans up what a run that was cut short left in it. False
 * if that cannot be done. */
bool file_store_begin(const char *folder);

/* For config.platform. The record is `settings` in that folder. */
extern const pv_platform file_store;

#endif
