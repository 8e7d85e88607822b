/* Before the C library's own: lets no sync succeed while the file that SYNC_FAILS_WHILE names is there,
 * as a disk does whose last writes went wrong, and none end while that of SYNC_HANGS_WHILE is. */
#define _GNU_SOURCE
#include <dlfcn.h>
#include <errno.h>
#include <stdlib.h>
#include <unistd.h>

static int is_there(const char *variable)
{
    const char *file = getenv(variable);
    return file && access(file, F_OK) == 0;
}

static int sync_by(const char *name, int descriptor)
{
    while (is_there("SYNC_HANGS_WHILE"))
        usleep(20000);
    if (is_there("SYNC_FAILS_WHILE")) {
        errno = EIO;
        return -1;
    }
    int (*real)(int) = (int (*)(int))dlsym(RTLD_NEXT, name);
    return real(descriptor);
}

int fsync(int descriptor)
{
    return sync_by("fsync", descriptor);
}

int fdatasync(int descriptor)
{
    return sync_by("fdatasync", descriptor);
}
