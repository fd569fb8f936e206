/* A shim between SQLite and the system's calls, for tests: loaded before the C library
 * (LD_PRELOAD) it makes the n-th call that writes to the store's files fail with EIO, once or from
 * then on. This is how SQLite's own tests look for what a failing disk does ("Anomaly testing" in
 * its documentation); Rust code that did the same would have to be unsafe.
 *
 *   FAIL_AT=n      the call that fails, counted from 1; 0 or absent: none, calls are only counted
 *   FAIL_EVER=1    all later ones fail too
 *   FAIL_COUNT=f   file that the number of calls is written to at the end
 *   READ_ONLY_WHILE=f  while this file exists, the disk is read-only: these calls, and opening one of
 *                  the files to write, fail with EROFS, as after a kernel has remounted a bad disk
 */
#define _GNU_SOURCE
#include <dlfcn.h>
#include <errno.h>
#include <fcntl.h>
#include <stdarg.h>
#include <stdatomic.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/types.h>
#include <unistd.h>

static atomic_long calls;

static int read_only(void) {
    const char *flag = getenv("READ_ONLY_WHILE");
    return flag && access(flag, F_OK) == 0;
}

/* The error this call is to fail with; 0: none. Only the store's files count: the database and its
 * log. */
static int fails(int fd) {
    char link[64], path[512];
    snprintf(link, sizeof link, "/proc/self/fd/%d", fd);
    ssize_t n = readlink(link, path, sizeof path - 1);
    if (n <= 0) return 0;
    path[n] = 0;
    if (!strstr(path, "doughwarden.db")) return 0;
    if (read_only()) return EROFS;
    long call = atomic_fetch_add(&calls, 1) + 1;
    const char *at = getenv("FAIL_AT");
    long n_th = at ? atol(at) : 0;
    if (n_th <= 0) return 0;
    return call == n_th || (call > n_th && getenv("FAIL_EVER")) ? EIO : 0;
}

#define REAL(name) ((__typeof__(&name))dlsym(RTLD_NEXT, #name))
#define FAIL_OR(fd, call) do { int e = fails(fd); if (e) { errno = e; return -1; } return call; } while (0)

ssize_t write(int fd, const void *b, size_t n) { FAIL_OR(fd, REAL(write)(fd, b, n)); }
ssize_t pwrite(int fd, const void *b, size_t n, off_t o) { FAIL_OR(fd, REAL(pwrite)(fd, b, n, o)); }
ssize_t pwrite64(int fd, const void *b, size_t n, off64_t o) { FAIL_OR(fd, REAL(pwrite64)(fd, b, n, o)); }
int fsync(int fd) { FAIL_OR(fd, REAL(fsync)(fd)); }
int fdatasync(int fd) { FAIL_OR(fd, REAL(fdatasync)(fd)); }
int ftruncate(int fd, off_t n) { FAIL_OR(fd, REAL(ftruncate)(fd, n)); }
int ftruncate64(int fd, off64_t n) { FAIL_OR(fd, REAL(ftruncate64)(fd, n)); }

static int may_open(const char *path, int flags) {
    return !((flags & O_ACCMODE) != O_RDONLY && strstr(path, "doughwarden.db") && read_only());
}

#define OPEN(name) \
    int name(const char *path, int flags, ...) { \
        va_list rest; \
        va_start(rest, flags); \
        mode_t mode = flags & (O_CREAT | O_TMPFILE) ? va_arg(rest, mode_t) : 0; \
        va_end(rest); \
        if (!may_open(path, flags)) { errno = EROFS; return -1; } \
        return REAL(name)(path, flags, mode); \
    }
OPEN(open)
OPEN(open64)

__attribute__((destructor)) static void tell(void) {
    const char *file = getenv("FAIL_COUNT");
    if (!file) return;
    FILE *out = fopen(file, "w");
    if (!out) return;
    fprintf(out, "%ld\n", atomic_load(&calls));
    fclose(out);
}
