/* Before the C library's own: lets no sync succeed while the file that SYNC_FAILS_WHILE names is there,
 * as a disk does whose last writes went wrong. */
#define _GNU_SOURCE
#include <dlfcn.h>
#include <errno.h>
#include <stdlib.h>
#include <unistd.h>

static int fails(void)
{
    const char *file = getenv("SYNC_FAILS_WHILE");
    return file && access(file, F_OK) == 0;
}

static int sync_by(const char *name, int descriptor)
{
    if (fails()) {
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
