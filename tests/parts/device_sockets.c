/* Lets a program be the kernel's side of a device file.
 *
 * The "device" is a Unix socket (SOCK_SEQPACKET) at the device's path.  To open one is ENXIO for the
 * kernel; here it is a connection instead, and an ioctl on it is a message to the program behind the
 * socket and its answer.  Known are the calls of the I2C character device (type 7 of <linux/i2c-dev.h>)
 * and of the GPIO character device, version 2 (type 0xB4 of <linux/gpio.h>); all else goes to libc.
 *
 * Two ways to have it: LD_PRELOAD for a whole process, or `hook_imports` for one that runs already,
 * which writes these functions into the import tables of everything that is loaded.
 *
 * No table of descriptors is kept: whose a descriptor is shows in the name of its peer, so close, dup
 * and reuse of a number need no care.  Each ioctl has a connection of its own, so the one of the
 * descriptor is free for the events of a line, which read and poll then find on it.
 */
#define _GNU_SOURCE
#include <dlfcn.h>
#include <elf.h>
#include <errno.h>
#include <fcntl.h>
#include <limits.h>
#include <link.h>
#include <stdarg.h>
#include <stdatomic.h>
#include <stddef.h>
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/mman.h>
#include <sys/socket.h>
#include <sys/stat.h>
#include <sys/sysmacros.h>
#include <sys/un.h>
#include <unistd.h>

enum { NAME = 32, ROOM = 60000, CALL_OPEN = 0, I2C_RDWR = 0x0707, I2C_SMBUS = 0x0720,
       I2C_FUNCS = 0x0705, GET_LINE_NUMBER = 0x07, GPIO_TYPE = 0xB4, I2C_TYPE = 0x07,
       SMBUS_DATA = 34, NO_DEVICE_HAS_MAJOR = 4000 };

struct head { uint32_t call; char handle[NAME]; };
struct i2c_msg { uint16_t addr, flags, len; uint8_t *buf; };
struct i2c_rdwr { struct i2c_msg *msgs; uint32_t nmsgs; };
struct i2c_smbus { uint8_t read_write, command; uint32_t size; uint8_t *data; };

static int (*libc_open)(const char *, int, ...);
static int (*libc_openat)(int, const char *, int, ...);
static int (*libc_ioctl)(int, unsigned long, ...);
static ssize_t (*libc_read)(int, void *, size_t);
static int (*libc_stat)(const char *, struct stat *);
static int (*libc_lstat)(const char *, struct stat *);
static char *(*libc_realpath)(const char *, char *);
static atomic_int opened;

__attribute__((constructor)) static void find_libc(void)
{
    libc_open = dlsym(RTLD_NEXT, "open");
    libc_openat = dlsym(RTLD_NEXT, "openat");
    libc_ioctl = dlsym(RTLD_NEXT, "ioctl");
    libc_read = dlsym(RTLD_NEXT, "read");
    libc_stat = dlsym(RTLD_NEXT, "stat");
    libc_lstat = dlsym(RTLD_NEXT, "lstat");
    libc_realpath = dlsym(RTLD_NEXT, "realpath");
}

static int fail(int number)
{
    errno = number;
    return -1;
}

/* ---- talking to the program behind a socket ------------------------------------------------- */

/* Send a call with what belongs to it; return the result, with the answer in place of the request. */
static int exchange(int fd, const struct head *head, uint8_t *body, size_t length, size_t *answered)
{
    static _Thread_local uint8_t packet[ROOM];
    int32_t result;
    ssize_t came;

    if (length + sizeof *head > ROOM)
        return fail(EINVAL);
    memcpy(packet, head, sizeof *head);
    memcpy(packet + sizeof *head, body, length);
    if (send(fd, packet, sizeof *head + length, MSG_NOSIGNAL) < 0)
        return fail(ENODEV);
    do
        came = recv(fd, packet, sizeof packet, 0);
    while (came < 0 && errno == EINTR);
    if (came < (ssize_t)sizeof result)
        return fail(ENODEV);
    memcpy(&result, packet, sizeof result);
    if (result < 0)
        return fail(-result);
    *answered = (size_t)came - sizeof result;
    memcpy(body, packet + sizeof result, *answered);
    return result;
}

static int connection(const struct sockaddr_un *there)
{
    int fd = socket(AF_UNIX, SOCK_SEQPACKET | SOCK_CLOEXEC, 0);

    if (fd >= 0 && connect(fd, (const struct sockaddr *)there, sizeof *there) < 0) {
        close(fd);
        return fail(errno == EACCES || errno == EPERM ? EACCES : ENODEV);
    }
    return fd;
}

/* A connection that stands for an open file, under a name of its own. */
static int handle_at(const struct sockaddr_un *there, uint32_t call, uint8_t *body, size_t *length)
{
    struct sockaddr_un own = {.sun_family = AF_UNIX};
    struct head head = {.call = call};
    int number, result, fd = socket(AF_UNIX, SOCK_SEQPACKET | SOCK_CLOEXEC, 0);

    if (fd < 0)
        return -1;
    snprintf(head.handle, NAME, "sim-%d-%d", (int)getpid(), atomic_fetch_add(&opened, 1));
    memcpy(own.sun_path + 1, head.handle, NAME - 1);
    if (bind(fd, (struct sockaddr *)&own, offsetof(struct sockaddr_un, sun_path) + NAME) < 0 ||
        connect(fd, (const struct sockaddr *)there, sizeof *there) < 0) {
        number = errno == EACCES || errno == EPERM ? EACCES : ENODEV;
        close(fd);
        return fail(number);
    }
    result = exchange(fd, &head, body, *length, length);
    if (result < 0) {
        number = errno;
        close(fd);
        return fail(number);
    }
    return fd;
}

/* Whether a descriptor is one of these handles; where it leads and its name, if it is. */
static int is_handle(int fd, struct sockaddr_un *there, char *name)
{
    struct sockaddr_un own;
    socklen_t length = sizeof own;
    int number = errno, is_one;

    memset(&own, 0, sizeof own);
    is_one = getsockname(fd, (struct sockaddr *)&own, &length) == 0 &&
             own.sun_family == AF_UNIX && own.sun_path[0] == 0 &&
             strncmp(own.sun_path + 1, "sim-", 4) == 0;
    length = sizeof *there;
    memset(there, 0, sizeof *there);
    if (is_one && getpeername(fd, (struct sockaddr *)there, &length) < 0)
        there->sun_family = AF_UNSPEC; /* the other side is gone */
    if (is_one)
        memcpy(name, own.sun_path + 1, NAME - 1);
    errno = number;
    return is_one;
}

static int call_on(const struct sockaddr_un *there, const char *name, uint32_t call, uint8_t *body,
                   size_t length, size_t *answered)
{
    struct head head = {.call = call};
    int number, result, fd;

    if (there->sun_family != AF_UNIX || (fd = connection(there)) < 0)
        return fail(ENODEV);
    memcpy(head.handle, name, NAME - 1);
    result = exchange(fd, &head, body, length, answered);
    number = errno;
    close(fd);
    errno = number;
    return result;
}

/* ---- open ----------------------------------------------------------------------------------- */

static int open_socket(const char *path)
{
    struct sockaddr_un there = {.sun_family = AF_UNIX};
    struct stat found;
    uint8_t body[64];
    size_t length = 0;

    if (libc_stat(path, &found) < 0 || !S_ISSOCK(found.st_mode) ||
        strlen(path) >= sizeof there.sun_path)
        return fail(ENXIO);
    if (access(path, R_OK | W_OK) < 0)
        return fail(EACCES);
    strcpy(there.sun_path, path);
    return handle_at(&there, CALL_OPEN, body, &length);
}

#define MODE(flags) \
    mode_t mode = 0; \
    if ((flags) & (O_CREAT | O_TMPFILE)) { \
        va_list more; \
        va_start(more, flags); \
        mode = va_arg(more, mode_t); \
        va_end(more); \
    }

int open(const char *path, int flags, ...)
{
    MODE(flags)
    int fd = libc_open(path, flags, mode);
    return fd < 0 && errno == ENXIO ? open_socket(path) : fd;
}

int open64(const char *path, int flags, ...)
{
    MODE(flags)
    int fd = libc_open(path, flags | O_LARGEFILE, mode);
    return fd < 0 && errno == ENXIO ? open_socket(path) : fd;
}

int openat(int folder, const char *path, int flags, ...)
{
    MODE(flags)
    int fd = libc_openat(folder, path, flags, mode);
    return fd < 0 && errno == ENXIO && path[0] == '/' ? open_socket(path) : fd;
}

int openat64(int folder, const char *path, int flags, ...)
{
    MODE(flags)
    int fd = libc_openat(folder, path, flags | O_LARGEFILE, mode);
    return fd < 0 && errno == ENXIO && path[0] == '/' ? open_socket(path) : fd;
}

/* ---- ioctl ---------------------------------------------------------------------------------- */

static int i2c_transfer(const struct sockaddr_un *there, const char *name, struct i2c_rdwr *all)
{
    static _Thread_local uint8_t body[ROOM];
    size_t length = 0, answered = 0, used = 0;
    int result;

    if (all->nmsgs > 42) /* I2C_RDWR_IOCTL_MAX_MSGS */
        return fail(EINVAL);
    for (uint32_t n = 0; n < all->nmsgs; n++) {
        struct i2c_msg *one = &all->msgs[n];
        uint16_t words[3] = {one->addr, one->flags, one->len};

        if (one->len > 8192 || length + sizeof words + one->len > ROOM - sizeof(struct head))
            return fail(EINVAL); /* 8192: as the kernel's i2c-dev limits a message */
        memcpy(body + length, words, sizeof words);
        length += sizeof words;
        if (!(one->flags & 1)) {
            memcpy(body + length, one->buf, one->len);
            length += one->len;
        }
    }
    result = call_on(there, name, I2C_RDWR, body, length, &answered);
    for (uint32_t n = 0; result >= 0 && n < all->nmsgs; n++) {
        struct i2c_msg *one = &all->msgs[n];

        if ((one->flags & 1) && used + one->len <= answered) {
            memcpy(one->buf, body + used, one->len);
            used += one->len;
        }
    }
    return result;
}

static int smbus_transfer(const struct sockaddr_un *there, const char *name, struct i2c_smbus *one)
{
    uint8_t body[6 + SMBUS_DATA] = {one->read_write, one->command};
    size_t answered = 0;
    int result;

    memcpy(body + 2, &one->size, 4);
    if (one->data)
        memcpy(body + 6, one->data, SMBUS_DATA);
    result = call_on(there, name, I2C_SMBUS, body, sizeof body, &answered);
    if (result >= 0 && one->data && answered == SMBUS_DATA)
        memcpy(one->data, body, SMBUS_DATA);
    return result;
}

static int gpio_call(const struct sockaddr_un *there, const char *name, uint32_t call, uint8_t *given)
{
    size_t size = (call >> 16) & 0x3FFF, answered = 0, length = size;
    uint8_t body[4096];
    int fd;

    if (size > sizeof body)
        return fail(EINVAL);
    memcpy(body, given, size);
    if ((call & 0xFF) != GET_LINE_NUMBER) {
        int result = call_on(there, name, call, body, size, &answered);
        if (result >= 0)
            memcpy(given, body, answered < size ? answered : size);
        return result;
    }
    if (there->sun_family != AF_UNIX)
        return fail(ENODEV);
    fd = handle_at(there, call, body, &length);
    if (fd < 0)
        return -1;
    /* struct gpio_v2_line_request ends with the new descriptor. */
    memcpy(given + size - sizeof(int32_t), &fd, sizeof(int32_t));
    return 0;
}

int ioctl(int fd, unsigned long call, ...)
{
    struct sockaddr_un there;
    char name[NAME] = "";
    va_list more;
    void *given;

    va_start(more, call);
    given = va_arg(more, void *);
    va_end(more);
    if ((((call >> 8) & 0xFF) != I2C_TYPE && ((call >> 8) & 0xFF) != GPIO_TYPE) ||
        !is_handle(fd, &there, name))
        return libc_ioctl(fd, call, given);
    if (((call >> 8) & 0xFF) == GPIO_TYPE)
        return gpio_call(&there, name, (uint32_t)call, given);
    if (call == I2C_RDWR)
        return i2c_transfer(&there, name, given);
    if (call == I2C_SMBUS)
        return smbus_transfer(&there, name, given);
    {
        uint64_t value = call == I2C_FUNCS ? 0 : (uint64_t)(uintptr_t)given;
        size_t answered = 0;
        int result = call_on(&there, name, (uint32_t)call, (uint8_t *)&value, sizeof value, &answered);

        if (result >= 0 && call == I2C_FUNCS)
            *(unsigned long *)given = (unsigned long)value;
        return result;
    }
}

/* ---- read: the end of a connection is a device that was taken away ---------------------------- */

ssize_t read(int fd, void *into, size_t room)
{
    struct sockaddr_un there;
    char name[NAME];
    ssize_t came = libc_read(fd, into, room);

    return came == 0 && room > 0 && is_handle(fd, &there, name) ? fail(ENODEV) : came;
}

ssize_t __read_chk(int fd, void *into, size_t room, size_t size)
{
    return size < room ? fail(EFAULT) : read(fd, into, room);
}

/* ---- what libgpiod wants to see of a chip before it opens it ----------------------------------- */

static int as_device(const char *path, struct stat *found, int result)
{
    const char *base = strrchr(path, '/');
    int number;

    if (result == 0 && S_ISSOCK(found->st_mode) && base &&
        sscanf(base, "/gpiochip%d", &number) == 1) {
        found->st_mode = (found->st_mode & 07777) | S_IFCHR;
        found->st_rdev = makedev(NO_DEVICE_HAS_MAJOR, number);
    }
    return result;
}

int stat(const char *path, struct stat *found) { return as_device(path, found, libc_stat(path, found)); }
int lstat(const char *path, struct stat *found) { return as_device(path, found, libc_lstat(path, found)); }
/* With 64-bit files these are the same structure. */
int stat64(const char *path, struct stat64 *found) { return stat(path, (struct stat *)found); }
int lstat64(const char *path, struct stat64 *found) { return lstat(path, (struct stat *)found); }
int __xstat(int version, const char *path, struct stat *found) { (void)version; return stat(path, found); }
int __lxstat(int version, const char *path, struct stat *found) { (void)version; return lstat(path, found); }

char *realpath(const char *path, char *into)
{
    unsigned major_number, minor_number;

    if (sscanf(path, "/sys/dev/char/%u:%u/subsystem", &major_number, &minor_number) == 2 &&
        major_number == NO_DEVICE_HAS_MAJOR)
        return into ? strcpy(into, "/sys/bus/gpio") : strdup("/sys/bus/gpio");
    return libc_realpath(path, into);
}

/* ---- into the import tables of a process that runs -------------------------------------------- */

static const struct { const char *name; void *function; } HOOKS[] = {
    {"open", open}, {"open64", open64}, {"openat", openat}, {"openat64", openat64},
    {"ioctl", ioctl}, {"read", read}, {"__read_chk", __read_chk}, {"stat", stat},
    {"lstat", lstat}, {"stat64", stat64}, {"lstat64", lstat64}, {"__xstat", __xstat},
    {"__lxstat", __lxstat}, {"realpath", realpath},
};

struct tables { const ElfW(Sym) *symbols; const char *names; ElfW(Addr) base; int written; };

static void hook_table(struct tables *at, const ElfW(Rela) *rows, size_t bytes)
{
    size_t page = (size_t)sysconf(_SC_PAGESIZE);

    for (size_t n = 0; n < bytes / sizeof *rows; n++) {
        const char *name = at->names + at->symbols[ELF64_R_SYM(rows[n].r_info)].st_name;
        void **slot = (void **)(at->base + rows[n].r_offset);

        if (ELF64_R_SYM(rows[n].r_info) == 0)
            continue;
        for (size_t m = 0; m < sizeof HOOKS / sizeof *HOOKS; m++) {
            void *first = (void *)((uintptr_t)slot & ~(page - 1));

            if (strcmp(name, HOOKS[m].name) != 0 || *slot == HOOKS[m].function)
                continue;
            if (mprotect(first, page, PROT_READ | PROT_WRITE) == 0) {
                *slot = HOOKS[m].function;
                at->written++;
            }
        }
    }
}

static int hook_object(struct dl_phdr_info *object, size_t size, void *context)
{
    struct tables at = {.base = object->dlpi_addr};
    const ElfW(Rela) *rows = NULL, *calls = NULL;
    size_t rows_bytes = 0, calls_bytes = 0;
    const char *base = strrchr(object->dlpi_name, '/');
    Dl_info own;

    (void)size;
    dladdr((void *)hook_object, &own);
    if ((uintptr_t)own.dli_fbase == object->dlpi_addr || strstr(object->dlpi_name, "vdso") ||
        (base && (strncmp(base, "/libc.", 6) == 0 || strncmp(base, "/ld-", 4) == 0)))
        return 0;
    for (int n = 0; n < object->dlpi_phnum; n++) {
        if (object->dlpi_phdr[n].p_type != PT_DYNAMIC)
            continue;
        for (const ElfW(Dyn) *row = (void *)(at.base + object->dlpi_phdr[n].p_vaddr);
             row->d_tag != DT_NULL; row++) {
            switch (row->d_tag) {
            case DT_SYMTAB: at.symbols = (void *)row->d_un.d_ptr; break;
            case DT_STRTAB: at.names = (void *)row->d_un.d_ptr; break;
            case DT_JMPREL: calls = (void *)row->d_un.d_ptr; break;
            case DT_PLTRELSZ: calls_bytes = row->d_un.d_val; break;
            case DT_RELA: rows = (void *)row->d_un.d_ptr; break;
            case DT_RELASZ: rows_bytes = row->d_un.d_val; break;
            default: break;
            }
        }
    }
    if (at.symbols && at.names) {
        if (calls)
            hook_table(&at, calls, calls_bytes);
        if (rows)
            hook_table(&at, rows, rows_bytes);
    }
    *(int *)context += at.written;
    return 0;
}

/* Write these functions wherever something that is loaded calls those of libc; say how often. */
int hook_imports(void)
{
    int written = 0;

    dl_iterate_phdr(hook_object, &written);
    return written;
}
