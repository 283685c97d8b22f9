/* SPDX-License-Identifier: MIT */
/*
 * The next record is written to a file beside the one that is kept, and renamed over it once it is on
 * the disk: rename() replaces a file whole or not at all (POSIX.1-2017), and is durable once the folder
 * is on the disk too.
 */
#define _POSIX_C_SOURCE 200809L
#include "file_store.h"

#include <errno.h>
#include <fcntl.h>
#include <stdio.h>
#include <sys/stat.h>
#include <unistd.h>

static int folder = -1;
static FILE *next; /* buffered, since the stub appends a few bytes at a time */

static const char kept_name[] = "settings", next_name[] = "settings.next";

bool file_store_begin(const char *path)
{
    if (folder >= 0) {
        (void)close(folder);
    }
    folder = open(path, O_RDONLY | O_DIRECTORY | O_CLOEXEC);
    return folder >= 0 && (unlinkat(folder, next_name, 0) == 0 || errno == ENOENT);
}

static uint32_t size_of_file(void *context)
{
    struct stat about;
    (void)context;
    return fstatat(folder, kept_name, &about, 0) == 0 ? (uint32_t)about.st_size : 0;
}

static int read_file(void *context, uint32_t offset, void *to, size_t size)
{
    int file = openat(folder, kept_name, O_RDONLY | O_CLOEXEC);
    ssize_t got;
    (void)context;
    if (file < 0) {
        return -1;
    }
    got = pread(file, to, size, (off_t)offset);
    (void)close(file);
    return got == (ssize_t)size ? 0 : -1;
}

static int append_to_file(void *context, const void *bytes, size_t size)
{
    (void)context;
    if (next == NULL) {
        int file = openat(folder, next_name, O_WRONLY | O_CREAT | O_TRUNC | O_CLOEXEC, S_IRUSR | S_IWUSR);
        next = file < 0 ? NULL : fdopen(file, "wb");
        if (next == NULL && file >= 0) {
            (void)close(file);
        }
    }
    return next != NULL && fwrite(bytes, 1, size, next) == size ? 0 : -1;
}

static int finish_file(void *context, bool whole)
{
    bool written = next != NULL;
    (void)context;
    if (next != NULL) {
        written = whole && fflush(next) == 0 && fsync(fileno(next)) == 0;
        written = fclose(next) == 0 && written;
        next = NULL;
    }
    if (written && renameat(folder, next_name, folder, kept_name) == 0) {
        return fsync(folder);
    }
    (void)unlinkat(folder, next_name, 0);
    return whole ? -1 : 0;
}

const pv_platform file_store = {size_of_file, read_file, append_to_file, finish_file};
