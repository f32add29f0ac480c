/* A disk to be tested on, put before the system's own by LD_PRELOAD: what a program writes below one folder is logged
 * in order, and the disk can be full, read only, or of another day. Build: cc -shared -fPIC -O1 -o power.so power.c -ldl
 *
 * A record: kind, file (inode), place, length, then as many bytes as the length of the record's data.
 * W written (data), T cut to a length, S flushed, F folder flushed (path), C made (path), R renamed (path, nul, path),
 * U taken away (path), A answered on standard output.
 */
#define _GNU_SOURCE
#include <dlfcn.h>
#include <errno.h>
#include <fcntl.h>
#include <limits.h>
#include <stdarg.h>
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/stat.h>
#include <sys/types.h>
#include <time.h>
#include <unistd.h>

static char below[PATH_MAX];
static size_t below_length;
static int log_to = -1, read_only;
static long long room = -1, ahead;

#define REAL(name) static __typeof__(name) *real; if (!real) real = dlsym(RTLD_NEXT, #name)

static ssize_t plain_write(int fd, const void *data, size_t count) {
    REAL(write);
    return real(fd, data, count);
}

void disk_watch(const char *folder, int log) {
    snprintf(below, sizeof below, "%s", folder);
    below_length = strlen(below);
    log_to = log;
}
void disk_room(long long bytes) { room = bytes; }
void disk_read_only(int yes) { read_only = yes; }
void disk_clock(long long seconds) { ahead = seconds; }

static int is_below(const char *path) { return below_length && !strncmp(path, below, below_length); }

static int path_of(int fd, char *path) {
    char link[64];
    snprintf(link, sizeof link, "/proc/self/fd/%d", fd);
    ssize_t length = readlink(link, path, PATH_MAX - 1);
    if (length < 0) return 0;
    path[length] = 0;
    return is_below(path);
}

static void whole(const char *name, char *path) {
    if (name[0] == '/' || !getcwd(path, PATH_MAX / 2)) snprintf(path, PATH_MAX, "%s", name);
    else { size_t n = strlen(path); snprintf(path + n, PATH_MAX - n, "/%s", name); }
}

static void note(char kind, uint64_t file, uint64_t place, const void *data, uint64_t length) {
    if (log_to < 0) return;
    int kept = errno;
    uint64_t head[4] = {(uint64_t)kind, file, place, length};
    plain_write(log_to, head, sizeof head);
    if (length) plain_write(log_to, data, length);
    errno = kept;
}

static uint64_t inode(int fd) {
    struct stat st;
    return fstat(fd, &st) ? 0 : st.st_ino;
}

static int takes(int fd, size_t count) { /* 0 and errno when the disk is full */
    if (room < 0) return 1;
    if ((long long)count > room) { room = 0; errno = ENOSPC; return 0; }
    room -= count;
    return 1;
}

ssize_t write(int fd, const void *data, size_t count) {
    char path[PATH_MAX];
    if (fd == log_to || !below_length) return plain_write(fd, data, count);
    if (fd == 1) { note('A', 0, 0, 0, 0); return plain_write(fd, data, count); }
    if (!path_of(fd, path)) return plain_write(fd, data, count);
    if (!takes(fd, count)) return -1;
    off_t place = lseek(fd, 0, SEEK_CUR);
    ssize_t done = plain_write(fd, data, count);
    if (done > 0) note('W', inode(fd), place, data, done);
    return done;
}

static ssize_t placed(ssize_t (*real)(int, const void *, size_t, off_t), int fd, const void *data, size_t n, off_t at) {
    char path[PATH_MAX];
    int mine = below_length && path_of(fd, path);
    if (mine && !takes(fd, n)) return -1;
    ssize_t done = real(fd, data, n, at);
    if (mine && done > 0) note('W', inode(fd), at, data, done);
    return done;
}
ssize_t pwrite(int fd, const void *data, size_t n, off_t at) { REAL(pwrite); return placed(real, fd, data, n, at); }
ssize_t pwrite64(int fd, const void *data, size_t n, off64_t at) { REAL(pwrite64); return placed(real, fd, data, n, at); }

static int cut(int (*real)(int, off_t), int fd, off_t length) {
    char path[PATH_MAX];
    int done, mine = below_length && path_of(fd, path);
    struct stat st;
    if (mine && !fstat(fd, &st) && length > st.st_size && !takes(fd, length - st.st_size)) return -1;
    done = real(fd, length);
    if (mine && !done) note('T', inode(fd), length, 0, 0);
    return done;
}
int ftruncate(int fd, off_t length) { REAL(ftruncate); return cut(real, fd, length); }
int ftruncate64(int fd, off64_t length) { REAL(ftruncate64); return cut(real, fd, length); }

static int flushed(int (*real)(int), int fd) {
    char path[PATH_MAX];
    struct stat st;
    int done = real(fd);
    if (!done && below_length && path_of(fd, path) && !fstat(fd, &st)) {
        if (S_ISDIR(st.st_mode)) note('F', 0, 0, path, strlen(path));
        else note('S', st.st_ino, 0, 0, 0);
    }
    return done;
}
int fsync(int fd) { REAL(fsync); return flushed(real, fd); }
int fdatasync(int fd) { REAL(fdatasync); return flushed(real, fd); }

static int opened(int (*real)(const char *, int, ...), const char *name, int flags, mode_t mode) {
    char path[PATH_MAX];
    if (!below_length) return real(name, flags, mode);
    whole(name, path);
    if (!is_below(path)) return real(name, flags, mode);
    if (read_only && (flags & (O_WRONLY | O_RDWR | O_CREAT)) && strcmp(path, below)) {
        struct stat st;
        if (stat(path, &st) || !S_ISDIR(st.st_mode)) { errno = read_only; return -1; }
    }
    int there = !access(path, F_OK), fd = real(name, flags, mode);
    if (fd >= 0 && !there && (flags & O_CREAT)) note('C', inode(fd), 0, path, strlen(path));
    else if (fd >= 0 && (flags & O_TRUNC)) note('T', inode(fd), 0, 0, 0);
    return fd;
}
#define MODE va_list more; va_start(more, flags); mode_t mode = va_arg(more, mode_t); va_end(more)
int open(const char *name, int flags, ...) { REAL(open); MODE; return opened(real, name, flags, mode); }
int open64(const char *name, int flags, ...) { REAL(open64); MODE; return opened(real, name, flags, mode); }

int rename(const char *from, const char *to) {
    REAL(rename);
    char both[2 * PATH_MAX + 1], *second;
    if (!below_length) return real(from, to);
    whole(from, both);
    second = both + strlen(both) + 1;
    whole(to, second);
    if (is_below(second) && read_only) { errno = read_only; return -1; }
    int done = real(from, to);
    if (!done && is_below(second)) note('R', 0, 0, both, second - both + strlen(second));
    return done;
}
static int taken(const char *name, int done) {
    char path[PATH_MAX];
    whole(name, path);
    if (!done && is_below(path)) note('U', 0, 0, path, strlen(path));
    return done;
}
int unlink(const char *name) { REAL(unlink); return taken(name, real(name)); }
int unlinkat(int folder, const char *name, int flags) {
    REAL(unlinkat);
    char path[PATH_MAX];
    if (folder == AT_FDCWD || name[0] == '/') return taken(name, real(folder, name, flags));
    int mine = below_length && path_of(folder, path), done = real(folder, name, flags);
    if (mine && !done) {
        size_t n = strlen(path);
        snprintf(path + n, sizeof path - n, "/%s", name);
        note('U', 0, 0, path, strlen(path));
    }
    return done;
}

int clock_gettime(clockid_t which, struct timespec *now) {
    REAL(clock_gettime);
    int done = real(which, now);
    if (!done && which == CLOCK_REALTIME) now->tv_sec += ahead;
    return done;
}
