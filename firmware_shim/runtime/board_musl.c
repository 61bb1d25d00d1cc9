/* What musl asks of an operating system, for a board that has none: the place of errno, which it keeps beside a thread,
   a heap that it takes from the kernel, and ends of the program. Linked before it, so that its own are never taken. */
#include <stddef.h>
#include <stdint.h>
#include <string.h>

void *pf_board_sbrk(ptrdiff_t more);
__attribute__((noreturn)) void pf_board_exit(int status);
__attribute__((noreturn)) void pf_board_abort(void);

static int error;
int *__errno_location(void) { return &error; }
int *___errno_location(void) { return &error; }

/* Each block stands behind its size and the next free one; a freed block is given again to who fits in it. */
struct block { size_t size; struct block *next; };
static struct block *freed;

__attribute__((weak)) void *malloc(size_t size)
{
    struct block **at, *found;
    if (size > (size_t)PTRDIFF_MAX - 16) return NULL;
    size = (size + 7) & ~(size_t)7;
    for (at = &freed; *at != NULL; at = &(*at)->next)
        if ((*at)->size >= size) {
            found = *at;
            *at = found->next;
            return found + 1;
        }
    found = pf_board_sbrk((ptrdiff_t)(size + sizeof *found));
    if (found == (struct block *)-1) return NULL;
    found->size = size;
    return found + 1;
}

__attribute__((weak)) void free(void *block)
{
    if (block == NULL) return;
    struct block *found = (struct block *)block - 1;
    found->next = freed;
    freed = found;
}

__attribute__((weak)) void *calloc(size_t count, size_t size)
{
    void *block = size != 0 && count > (size_t)PTRDIFF_MAX / size ? NULL : malloc(count * size);
    return block != NULL ? memset(block, 0, count * size) : NULL;
}

__attribute__((weak)) void *realloc(void *block, size_t size)
{
    if (block == NULL) return malloc(size);
    size_t had = ((struct block *)block - 1)->size;
    if (size <= had) return block;
    void *wider = malloc(size);
    if (wider == NULL) return NULL;
    memcpy(wider, block, had);
    free(block);
    return wider;
}

__attribute__((weak, noreturn)) void exit(int status) { pf_board_exit(status); }
__attribute__((weak, noreturn)) void _Exit(int status) { pf_board_exit(status); }
__attribute__((weak, noreturn)) void __assert_fail(const char *text, const char *file, int line, const char *function)
{
    (void)text; (void)file; (void)line; (void)function;
    pf_board_abort();
}
