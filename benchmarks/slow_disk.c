/* A disk that is slow, for a process that is started with this library in LD_PRELOAD.
 *
 * Calls that sync, write or read files of one folder wait before they are made, as long as a small
 * file says that another process maps and may change at any time:
 *
 *   seconds for each sync, write, read, and until when all of them stand (CLOCK_MONOTONIC)
 *   how many were made in the main thread and in others, of each kind
 *   how long the main thread and all others waited, ns; where the main thread waited last
 *
 * The folder is named by SLOW_DISK_FOLDER, the file by SLOW_DISK_CONTROL.
 */
#define _GNU_SOURCE
#include <dlfcn.h>
#include <fcntl.h>
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/mman.h>
#include <sys/syscall.h>
#include <sys/types.h>
#include <time.h>
#include <unistd.h>

enum kind { SYNC, WRITE, READ, KINDS };

struct control {
    double each_s[KINDS];
    double until_s;
    uint64_t in_main[KINDS];
    uint64_t elsewhere[KINDS];
    uint64_t main_ns;
    uint64_t elsewhere_ns;
    char main_path[256];
};

static volatile struct control *control;
static char folder[512];
static size_t folder_length;

__attribute__((constructor)) static void begin(void) {
    const char *named = getenv("SLOW_DISK_FOLDER");
    const char *file = getenv("SLOW_DISK_CONTROL");
    if (named == NULL || file == NULL || strlen(named) >= sizeof folder)
        return;
    strcpy(folder, named);
    folder_length = strlen(folder);
    int opened = open(file, O_RDWR | O_CLOEXEC);
    if (opened < 0)
        return;
    void *mapped = mmap(NULL, sizeof *control, PROT_READ | PROT_WRITE, MAP_SHARED, opened, 0);
    close(opened);
    if (mapped != MAP_FAILED)
        control = mapped;
}

static double now_s(void) {
    struct timespec now;
    clock_gettime(CLOCK_MONOTONIC, &now);
    return (double)now.tv_sec + (double)now.tv_nsec / 1e9;
}

static void linger(int file, enum kind kind) {
    char link[64], path[512] = "";
    if (control == NULL)
        return;
    snprintf(link, sizeof link, "/proc/self/fd/%d", file);
    ssize_t length = readlink(link, path, sizeof path - 1);
    if (length <= (ssize_t)folder_length || strncmp(path, folder, folder_length) != 0)
        return;
    path[length] = '\0';
    int is_main = syscall(SYS_gettid) == getpid();
    double began = now_s(), due = began + control->each_s[kind];
    for (;;) {
        double until = control->until_s > due ? control->until_s : due;
        double left = until - now_s();
        if (left <= 0.0)
            break;
        /* In small steps: a stall may be ended early. */
        double step = left < 0.02 ? left : 0.02;
        struct timespec pause = {0, (long)(step * 1e9)};
        nanosleep(&pause, NULL);
    }
    uint64_t waited = (uint64_t)((now_s() - began) * 1e9);
    __atomic_fetch_add(is_main ? &control->in_main[kind] : &control->elsewhere[kind], 1,
                       __ATOMIC_RELAXED);
    __atomic_fetch_add(is_main ? &control->main_ns : &control->elsewhere_ns, waited,
                       __ATOMIC_RELAXED);
    if (is_main)
        memcpy((char *)control->main_path, path, sizeof control->main_path - 1);
}

#define REAL(name) ((__typeof__(&name))real(#name))

static void *real(const char *name) {
    return dlsym(RTLD_NEXT, name);
}

int fsync(int file) {
    linger(file, SYNC);
    return REAL(fsync)(file);
}

int fdatasync(int file) {
    linger(file, SYNC);
    return REAL(fdatasync)(file);
}

ssize_t write(int file, const void *bytes, size_t count) {
    linger(file, WRITE);
    return REAL(write)(file, bytes, count);
}

ssize_t pwrite(int file, const void *bytes, size_t count, off_t place) {
    linger(file, WRITE);
    return REAL(pwrite)(file, bytes, count, place);
}

ssize_t pwrite64(int file, const void *bytes, size_t count, off64_t place) {
    linger(file, WRITE);
    return REAL(pwrite64)(file, bytes, count, place);
}

ssize_t read(int file, void *bytes, size_t count) {
    linger(file, READ);
    return REAL(read)(file, bytes, count);
}

ssize_t pread(int file, void *bytes, size_t count, off_t place) {
    linger(file, READ);
    return REAL(pread)(file, bytes, count, place);
}

ssize_t pread64(int file, void *bytes, size_t count, off64_t place) {
    linger(file, READ);
    return REAL(pread64)(file, bytes, count, place);
}
