/* SPDX-License-Identifier: MIT */
/*
 * A board on a pseudo-terminal, for POSIX systems: its flash is a file, its network a text file. It
 * keeps the rules of NOR flash, and its other end is a serial port to whoever opens it.
 *
 * Everything here is file-scope state: a board has one flash and one serial port.
 */
#define _GNU_SOURCE /* posix_openpt, prctl and the like under -std=c99 */

#include "practice_network.h"
#include "wpa_key.h"

#include <errno.h>
#include <fcntl.h>
#include <poll.h>
#include <signal.h>
#include <stdarg.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/file.h>
#include <sys/stat.h>
#include <termios.h>
#include <time.h>
#include <unistd.h>
#ifdef __linux__
#include <sys/prctl.h>
#endif

enum {
    EXIT_USAGE = 64, /* as in sysexits.h */
    EXIT_NO_INPUT = 66,
    EXIT_SYSTEM = 71,
    MOST_NETWORKS = 64,
    SURVEY_MS = 600,
    CHATTER_MS = 1000,
    LONGEST_WAIT_MS = 250
};

/* A restart replaces the program; the port stays, as that of a bridge on the board does. */
#define KEPT_PORT "PV_BOARD_PORT" /* environment: descriptors of both ends */

typedef struct network {
    uint8_t name[32];
    size_t length;
    char passphrase[65]; /* empty: open */
    int signal;
} network;

static struct {
    char **arguments;
    const pv_flash *flash;
    const char *flash_file, *link, *networks_file, *slave_name;
    unsigned long boot_delay;
    bool logs, surveys, has_networks, has_service_key;
    int master, slave, cells;
    network networks[MOST_NETWORKS];
    uint8_t network_count;
    char service_key[256];
    uint32_t began, chattered;
    uint32_t survey_began;
    bool survey_runs;
} board;

static volatile sig_atomic_t stopped;

const uint16_t port_capabilities =
    PV_CAN_RECEIVES_WHILE_STORING; /* the kernel keeps what arrives */
uint8_t port_unit_id[16], port_unit_id_size;

/* ------------------------------------------------------------------ small things */

static int fail(int code, const char *format, ...)
{
    va_list arguments;
    va_start(arguments, format);
    (void)fputs("board: ", stderr);
    (void)vfprintf(stderr, format, arguments);
    (void)fputc('\n', stderr);
    va_end(arguments);
    return code;
}

uint32_t port_clock(void *context)
{
    struct timespec now;
    (void)context;
    (void)clock_gettime(CLOCK_MONOTONIC, &now);
    return (uint32_t)((uint64_t)now.tv_sec * 1000u + (uint64_t)now.tv_nsec / 1000000u);
}

static bool is_over(uint32_t due)
{
    return (int32_t)(port_clock(NULL) - due) >= 0;
}

static void sleep_ms(unsigned long ms)
{
    struct timespec left = {(time_t)(ms / 1000), (long)(ms % 1000) * 1000000L};
    while (!stopped && nanosleep(&left, &left) != 0) {
    }
}

static bool random_bytes(void *to, size_t size)
{
    int from = open("/dev/urandom", O_RDONLY | O_CLOEXEC);
    bool whole = from >= 0 && read(from, to, size) == (ssize_t)size;
    if (from >= 0) {
        (void)close(from);
    }
    return whole;
}

/* ------------------------------------------------------------------ flash: a file */

static bool is_inside(uint32_t offset, size_t size)
{
    uint32_t all = board.flash->slot_count * board.flash->slot_size;
    return offset <= all && size <= all - offset;
}

int port_flash_read(void *context, uint32_t offset, void *to, size_t size)
{
    (void)context;
    return is_inside(offset, size) && pread(board.cells, to, size, (off_t)offset) == (ssize_t)size
               ? 0
               : -1;
}

/* What was written is in the system's cache when this returns. So it outlives this process however
 * that ends, which is what a board's flash does when power goes; it need not outlive the system's
 * own. */
int port_flash_program(void *context, uint32_t offset, const void *from, size_t size)
{
    uint8_t present[256];
    uint16_t unit = board.flash->program_unit;
    if (size != unit || offset % unit != 0 ||
        port_flash_read(context, offset, present, size) != 0) {
        return -1;
    }
    for (size_t i = 0; i < size; i++) {
        if (present[i] != 0xFF) {
            return fail(-1, "the unit at %lu was programmed before", (unsigned long)offset);
        }
    }
    return pwrite(board.cells, from, size, (off_t)offset) == (ssize_t)size ? 0 : -1;
}

int port_flash_erase(void *context, uint32_t offset)
{
    uint8_t erased[256];
    uint32_t unit = board.flash->erase_unit;
    (void)context;
    if (offset % unit != 0 || !is_inside(offset, unit)) {
        return -1;
    }
    memset(erased, 0xFF, sizeof erased);
    for (uint32_t done = 0; done < unit; done += (uint32_t)sizeof erased) {
        size_t size = unit - done < sizeof erased ? unit - done : sizeof erased;
        if (pwrite(board.cells, erased, size, (off_t)(offset + done)) != (ssize_t)size) {
            return -1;
        }
    }
    return 0;
}

static int open_flash(void)
{
    uint32_t size = board.flash->slot_count * board.flash->slot_size;
    struct stat about;
    board.cells = open(board.flash_file, O_RDWR | O_CREAT | O_CLOEXEC, 0600);
    if (board.cells < 0 || fstat(board.cells, &about) != 0) {
        return fail(EXIT_NO_INPUT, "%s cannot be opened: %s", board.flash_file, strerror(errno));
    }
    if (flock(board.cells, LOCK_EX | LOCK_NB) != 0) {
        return fail(EXIT_NO_INPUT, "%s is the flash of another board that runs", board.flash_file);
    }
    if (about.st_size != 0 && about.st_size != (off_t)size) {
        return fail(EXIT_NO_INPUT, "%s has %lld bytes, and this board's settings area %lu",
                    board.flash_file, (long long)about.st_size, (unsigned long)size);
    }
    for (uint32_t at = 0; about.st_size == 0 && at < size; at += board.flash->erase_unit) {
        if (port_flash_erase(NULL, at) != 0) {
            return fail(EXIT_NO_INPUT, "%s cannot be written: %s", board.flash_file,
                        strerror(errno));
        }
    }
    /* Unless told otherwise, a board is who its flash is. */
    if (port_unit_id_size == 0) {
        uint64_t number = (uint64_t)about.st_ino * 0x9E3779B97F4A7C15u ^ (uint64_t)about.st_dev;
        port_unit_id_size = sizeof number;
        memcpy(port_unit_id, &number, sizeof number);
    }
    return 0;
}

/* ------------------------------------------------------------------ the serial port */

/* Takes all, or what there is room for: a serial port without flow control loses what nobody reads.
 */
void port_write(void *context, const uint8_t *bytes, size_t size)
{
    (void)context;
    while (size > 0) {
        ssize_t done = write(board.master, bytes, size);
        if (done < 0 && errno != EINTR) {
            return;
        }
        if (done > 0) {
            bytes += done;
            size -= (size_t)done;
        }
    }
}

void port_log(const char *line)
{
    if (board.logs) {
        port_write(NULL, (const uint8_t *)line, strlen(line));
        port_write(NULL, (const uint8_t *)"\r\n", 2);
    }
}

static void log_number(const char *format, unsigned long number)
{
    char line[80];
    (void)snprintf(line, sizeof line, format, number);
    port_log(line);
}

static int make_raw(int port)
{
    struct termios how;
    if (tcgetattr(port, &how) != 0) {
        return -1;
    }
    cfmakeraw(&how);
    return tcsetattr(port, TCSANOW, &how);
}

/* The slave end stays open here, so that others may come and go and nothing hangs up in between. */
static int open_port(void)
{
    const char *kept = getenv(KEPT_PORT);
    if (kept != NULL && sscanf(kept, "%d %d", &board.master, &board.slave) == 2) {
        board.slave_name = ptsname(board.master);
        return board.slave_name != NULL
                   ? 0
                   : fail(EXIT_SYSTEM, "the port is lost: %s", strerror(errno));
    }
    board.master = posix_openpt(O_RDWR | O_NOCTTY);
    if (board.master < 0 || grantpt(board.master) != 0 || unlockpt(board.master) != 0 ||
        (board.slave_name = ptsname(board.master)) == NULL ||
        (board.slave = open(board.slave_name, O_RDWR | O_NOCTTY)) < 0 ||
        make_raw(board.slave) != 0 || fcntl(board.master, F_SETFL, O_NONBLOCK) != 0) {
        return fail(EXIT_SYSTEM, "there is no pseudo-terminal to be had: %s", strerror(errno));
    }
    return 0;
}

static int announce(void)
{
    if (board.link != NULL) {
        char name[4096];
        int size = snprintf(name, sizeof name, "%s.%ld", board.link, (long)getpid());
        if (size < 0 || (size_t)size >= sizeof name || symlink(board.slave_name, name) != 0 ||
            rename(name, board.link) != 0) {
            (void)unlink(name);
            return fail(EXIT_NO_INPUT, "the link %s cannot be made: %s", board.link,
                        strerror(errno));
        }
    }
    if (printf("board: %s\n", board.slave_name) < 0 || fflush(stdout) != 0) {
        return fail(EXIT_SYSTEM, "nobody hears where the board is: %s", strerror(errno));
    }
    return 0;
}

static void remove_link(void)
{
    char name[4096];
    ssize_t size = board.link == NULL ? -1 : readlink(board.link, name, sizeof name - 1);
    if (size > 0) {
        name[size] = '\0';
        if (strcmp(name, board.slave_name) == 0) {
            (void)unlink(board.link);
        }
    }
}

size_t port_read(uint8_t *to, size_t size)
{
    struct pollfd port = {board.master, POLLIN, 0};
    ssize_t got = -1;
    if (poll(&port, 1, (int)practice_left(LONGEST_WAIT_MS)) > 0) {
        got = read(board.master, to, size);
    }
    if (board.logs && is_over(board.chattered + CHATTER_MS)) {
        board.chattered = port_clock(NULL);
        log_number("up for %lu s", (port_clock(NULL) - board.began) / 1000u);
    }
    return got > 0 ? (size_t)got : 0;
}

/* ------------------------------------------------------------------ start and end */

static void stop(int signal)
{
    (void)signal;
    stopped = 1;
}

bool port_is_on(void)
{
    if (stopped) {
        remove_link();
    }
    return !stopped;
}

void port_restart(void *context)
{
    char kept[32];
    (void)context;
    port_log("restarting");
    (void)snprintf(kept, sizeof kept, "%d %d", board.master, board.slave);
    if (setenv(KEPT_PORT, kept, 1) == 0) {
        (void)execv("/proc/self/exe", board.arguments); /* Linux; elsewhere by name */
        (void)execvp(board.arguments[0], board.arguments);
    }
    remove_link();
    exit(fail(EXIT_SYSTEM, "the board cannot start again: %s", strerror(errno)));
}

uint32_t port_boot_number(void)
{
    uint32_t number = 0;
    if (!random_bytes(&number, sizeof number)) {
        number = port_clock(NULL);
    }
    return number;
}

void port_locate(void *context)
{
    (void)context;
    port_log("here I am: the lamp blinks");
}

static uint8_t byte_of(const char *digits)
{
    const char pair[3] = {digits[0], digits[1], '\0'};
    return (uint8_t)strtoul(pair, NULL, 16);
}

static bool read_unit_id(const char *digits)
{
    size_t size = strlen(digits);
    if (size < 2 || size % 2 != 0 || size > 2 * sizeof port_unit_id ||
        strspn(digits, "0123456789abcdefABCDEF") != size) {
        return false;
    }
    for (size_t i = 0; i < size / 2; i++) {
        port_unit_id[i] = byte_of(digits + 2 * i);
    }
    port_unit_id_size = (uint8_t)(size / 2);
    return true;
}

static bool read_number(const char *text, unsigned long *number)
{
    char *end;
    errno = 0;
    *number = strtoul(text, &end, 10);
    return *text >= '0' && *text <= '9' && *end == '\0' && errno == 0;
}

static const char usage[] =
    "usage: board_pty --flash FILE [--link PATH] [--networks FILE] [--survey] [--log]\n"
    "                 [--boot-delay MS] [--unit-id HEX-DIGITS]\n"
    "\n"
    "Plays a board on a pseudo-terminal, and prints which. Its flash is FILE, made when it is\n"
    "missing.\n"
    "\n"
    "  --link PATH         also makes PATH a link to the pseudo-terminal\n"
    "  --networks FILE     what is in range: lines of name TAB passphrase TAB signal, and one line\n"
    "                      `service KEY`; without it every network and every key will do\n"
    "  --survey            lets a host ask for the networks in range\n"
    "  --log               prints log lines to the same port, as firmware does\n"
    "  --boot-delay MS     takes so long to start\n"
    "  --unit-id DIGITS    is this board, else the one of the file\n"
    "\n"
    "It ends at SIGTERM.\n";

/* Returns 0 or an exit code. Ends the program where it only has to tell what it can do. */
static int read_arguments(int argc, char **argv)
{
    for (int i = 1; i < argc; i++) {
        const char *name = argv[i];
        const char *value = i + 1 < argc ? argv[i + 1] : NULL;
        bool right = true;
        if (strcmp(name, "--help") == 0) {
            (void)fputs(usage, stdout);
            exit(0);
        }
        if (strcmp(name, "--log") == 0) {
            board.logs = true;
            continue;
        }
        if (strcmp(name, "--survey") == 0) {
            board.surveys = true;
            continue;
        }
        if (value == NULL) {
            return fail(EXIT_USAGE, "%s is not an option, or lacks its value", name);
        }
        if (strcmp(name, "--flash") == 0) {
            board.flash_file = value;
        } else if (strcmp(name, "--link") == 0) {
            board.link = value;
        } else if (strcmp(name, "--networks") == 0) {
            board.networks_file = value;
        } else if (strcmp(name, "--boot-delay") == 0) {
            right = read_number(value, &board.boot_delay) && board.boot_delay <= 60000;
        } else if (strcmp(name, "--unit-id") == 0) {
            right = read_unit_id(value);
        } else {
            return fail(EXIT_USAGE, "%s is not an option", name);
        }
        if (!right) {
            return fail(EXIT_USAGE, "%s is not a value for %s", value, name);
        }
        i++;
    }
    return board.flash_file != NULL ? 0 : fail(EXIT_USAGE, "--flash FILE is missing");
}

static int read_networks(void);

int port_begin(int argc, char **argv, const pv_flash *flash)
{
    static const uint8_t noise[] = {0x00, 0xF8, 0x7E, 0x80, 0x1E, 0x66, 0xFE, 0x0D, 0x0A};
    struct sigaction action;
    uint8_t lost[256];
    int failed;
    board.arguments = argv;
    board.flash = flash;
    failed = read_arguments(argc, argv);
    if (failed != 0) {
        return failed;
    }
    memset(&action, 0, sizeof action);
    action.sa_handler = stop;
    (void)sigaction(SIGTERM, &action, NULL);
    (void)sigaction(SIGINT, &action, NULL);
    (void)signal(SIGHUP, SIG_IGN);
#ifdef __linux__
    (void)prctl(PR_SET_PDEATHSIG, SIGTERM); /* no board outlives what started it */
#endif
    failed = read_networks();
    if (failed == 0) {
        failed = open_flash();
    }
    if (failed == 0) {
        failed = open_port();
    }
    if (failed == 0 && getenv(KEPT_PORT) == NULL) {
        failed = announce();
    }
    if (failed != 0) {
        return failed;
    }
    if (board.logs) {
        port_write(NULL, noise, sizeof noise); /* the boot loader, at a rate of its own */
    }
    sleep_ms(board.boot_delay);
    while (read(board.master, lost, sizeof lost) > 0) {
        /* What arrived meanwhile met no receiver. */
    }
    board.began = port_clock(NULL);
    board.chattered = board.began;
    port_log("the firmware starts");
    return 0;
}

/* ------------------------------------------------------------------ the network */

/* A line of name TAB passphrase TAB signal, or `service KEY`. Nothing of it is repeated. */
static bool read_network(char *line)
{
    char *passphrase = strchr(line, '\t');
    char *signal = passphrase == NULL ? NULL : strchr(passphrase + 1, '\t');
    char *end;
    long dbm;
    network *to = &board.networks[board.network_count];
    if (strncmp(line, "service ", 8) == 0 && passphrase == NULL) {
        const char *key = line + 8 + strspn(line + 8, " ");
        size_t length = strlen(key);
        while (length > 0 && key[length - 1] == ' ') {
            length--;
        }
        if (length >= sizeof board.service_key) {
            return false;
        }
        memcpy(board.service_key, key, length);
        board.service_key[length] = '\0';
        board.has_service_key = true;
        return true;
    }
    if (signal == NULL || board.network_count == MOST_NETWORKS) {
        return false;
    }
    *passphrase++ = '\0';
    *signal++ = '\0';
    dbm = strtol(signal, &end, 10);
    to->length = strlen(line);
    if (end == signal || *end != '\0' || to->length == 0 || to->length > sizeof to->name ||
        strlen(passphrase) >= sizeof to->passphrase) {
        return false;
    }
    memcpy(to->name, line, to->length);
    memcpy(to->passphrase, passphrase, strlen(passphrase) + 1);
    to->signal = dbm < -128 ? -128 : dbm > 0 ? 0 : (int)dbm;
    board.network_count++;
    return true;
}

static int read_networks(void)
{
    char line[512];
    unsigned long number = 0;
    bool right = true;
    FILE *from;
    if (board.networks_file == NULL) {
        return 0;
    }
    from = fopen(board.networks_file, "re");
    if (from == NULL) {
        return fail(EXIT_NO_INPUT, "%s cannot be read: %s", board.networks_file, strerror(errno));
    }
    board.has_networks = true;
    while (right && fgets(line, sizeof line, from) != NULL) {
        number++;
        line[strcspn(line, "\r\n")] = '\0';
        right = line[0] == '#' || line[strspn(line, " ")] == '\0' || read_network(line);
    }
    (void)fclose(from);
    if (!right) {
        return fail(
            EXIT_NO_INPUT,
            "line %lu of %s is neither a network (name, passphrase and signal in dBm, parted by "
            "tabs) nor a line `service KEY`",
            number, board.networks_file);
    }
    return 0;
}

/* Whether the network lets in whoever has that passphrase, or that key in 64 hexadecimal digits. */
static bool admits(const network *one, const char *given)
{
    uint8_t key[32];
    if (one->passphrase[0] == '\0' || strlen(given) < 64) {
        return strcmp(one->passphrase, given) == 0;
    }
    wpa_key(one->passphrase, one->name, one->length, key);
    for (size_t i = 0; i < sizeof key; i++) {
        if (byte_of(given + 2 * i) != key[i]) {
            return false;
        }
    }
    return true;
}

int port_join(const uint8_t *name, size_t length, const char *passphrase)
{
    int result = board.has_networks ? PV_REASON_NETWORK_NOT_FOUND : PV_REASON_NONE;
    if (!practice_is_done(PV_STEP_JOIN, 600)) {
        return PORT_BUSY;
    }
    for (uint8_t i = 0; i < board.network_count; i++) {
        const network *one = &board.networks[i];
        if (one->length == length && memcmp(one->name, name, length) == 0) {
            if (admits(one, passphrase)) {
                return PV_REASON_NONE;
            }
            result = PV_REASON_PASSPHRASE_WRONG;
        }
    }
    return result;
}

int port_authorize(const char *key)
{
    if (!practice_is_done(PV_STEP_AUTHORIZE, 200)) {
        return PORT_BUSY;
    }
    return board.has_service_key && strcmp(board.service_key, key) != 0 ? PV_REASON_KEY_REFUSED
                                                                        : PV_REASON_NONE;
}

/* ------------------------------------------------------------------ networks in range */

static int stronger_first(const void *one, const void *other)
{
    return ((const network *)other)->signal - ((const network *)one)->signal;
}

static void start_survey(void *context)
{
    (void)context;
    board.survey_began = port_clock(NULL);
    board.survey_runs = true;
}

/* Half of them are found at half time. */
static uint8_t count_networks(void *context, bool *done)
{
    uint32_t passed = port_clock(NULL) - board.survey_began;
    (void)context;
    *done = !board.survey_runs || passed >= 2 * SURVEY_MS;
    if (*done) {
        board.survey_runs = false;
        return board.network_count;
    }
    return passed >= SURVEY_MS ? board.network_count / 2 : 0;
}

static void get_network(void *context, uint8_t index, pv_network *to)
{
    const network *one = &board.networks[index];
    (void)context;
    memset(to, 0, sizeof *to);
    memcpy(to->name, one->name, one->length);
    to->length = (uint8_t)one->length;
    to->signal = (int8_t)one->signal;
    to->security = one->passphrase[0] == '\0' ? PV_SECURITY_OPEN : PV_SECURITY_PERSONAL;
}

const pv_survey *port_survey(void)
{
    static const pv_survey survey = {start_survey, count_networks, get_network};
    qsort(board.networks, board.network_count, sizeof board.networks[0], stronger_first);
    return board.surveys ? &survey : NULL;
}
