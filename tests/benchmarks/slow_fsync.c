/* A disk that takes $SLOW_MS milliseconds to flush: with LD_PRELOAD, every fsync and fdatasync waits that long first.
 * How often that happened is written to $SLOW_COUNT, one byte each.
 */
#define _GNU_SOURCE
#include <dlfcn.h>
#include <fcntl.h>
#include <stdlib.h>
#include <time.h>
#include <unistd.h>

static void wait_for_the_disk(void)
{
    const char *ms = getenv("SLOW_MS"), *count = getenv("SLOW_COUNT");
    long n = ms != NULL ? atol(ms) : 0;
    struct timespec left = {n / 1000, n % 1000 * 1000000L};
    int fd;

    while (nanosleep(&left, &left) != 0)
        ;
    if (count != NULL && (fd = open(count, O_WRONLY | O_CREAT | O_APPEND, 0600)) >= 0) {
        if (write(fd, ".", 1) != 1)
            abort();
        close(fd);
    }
}

int fsync(int fd)
{
    static int (*real)(int);

    if (real == NULL)
        *(void **)&real = dlsym(RTLD_NEXT, "fsync");
    wait_for_the_disk();
    return real(fd);
}

int fdatasync(int fd)
{
    static int (*real)(int);

    if (real == NULL)
        *(void **)&real = dlsym(RTLD_NEXT, "fdatasync");
    wait_for_the_disk();
    return real(fd);
}
