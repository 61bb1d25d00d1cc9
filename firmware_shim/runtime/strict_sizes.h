/* Read before anything else in the strict build: the C library's headers then hand to strcpy, sprintf, memcpy and their like
   how large the object (of strings: the member) is that they write to; recorder_strings.h looks whether it is enough. */
#ifdef __OPTIMIZE__
#undef _FORTIFY_SOURCE
#define _FORTIFY_SOURCE 2
#endif
