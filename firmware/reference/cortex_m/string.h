/* What the library and the compiler ask for, without a C library. */
#ifndef STRING_H
#define STRING_H
#include <stddef.h>
void *memcpy(void *to, const void *from, size_t n);
void *memset(void *to, int byte, size_t n);
#endif
