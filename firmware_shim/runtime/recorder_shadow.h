/* Memory that says of each eight bytes which may be touched, where the compiler's own prologues write what they know of a
   function's locals: the shadow of -fsanitize=kernel-address with -fasan-shadow-offset (gcc, x86-64). Included by recorder.c.
   One byte for each eight: 0 all allowed, 1 to 7 so many of them, more none. */

enum { GRAIN = 8, NOTHING = 255, LEFT_OF_FRAME = 0xf1, OUT_OF_SCOPE = 0xf8, BESIDE_A_BLOCK = 0xfa, FREED = 0xfd,
       BEFORE_TAKEN = 0xca, BEHIND_TAKEN = 0xcb, TAKEN_ROOM = 32,
       FAR_BACK = 1 << 16 };

#if defined(__x86_64__)
#define SHADOW_OFFSET UINT64_C(0x7fff8000)
/* Where the kernel puts libraries and stacks. */
#define LOWEST_SEEN UINT64_C(0x7e0000000000)
#define HIGHEST_SEEN UINT64_C(0x7ffffffff000)
#define MAPPED_ALREADY (-17L)

struct window { uintptr_t low, size; };
/* Of heaps: those of the engine's (engine_heap.c). */
#define HEAPS_START UINT64_C(0x1000000000)
#define HEAPS_END UINT64_C(0x1020000000)

static struct window windows[3];
static int shadow_ready;

static inline __attribute__((always_inline)) unsigned char *shadow_of(uintptr_t at)
{
    return (unsigned char *)((at >> 3) + SHADOW_OFFSET);
}

/* No library may be called here; 0 when the pages are there. */
static long map_fixed(uintptr_t from, uintptr_t size)
{
    register long flags __asm__("r10") = 0x2 | 0x20 | 0x4000 | 0x100000; /* private, anonymous, no reserve, fixed: no replace */
    register long file __asm__("r8") = -1;
    register long offset __asm__("r9") = 0;
    long answer = 9;
    __asm__ volatile("syscall" : "+a"(answer) : "D"(from), "S"(size), "d"(3L), "r"(flags), "r"(file), "r"(offset)
                     : "rcx", "r11", "memory");
    return answer == (long)from || answer == MAPPED_ALREADY ? 0 : -1;
}

static int cover(struct window *w, uintptr_t low, uintptr_t high)
{
    uintptr_t from = (uintptr_t)shadow_of(low) & ~(uintptr_t)4095, end = ((uintptr_t)shadow_of(high) + 4095) & ~(uintptr_t)4095;
    if (map_fixed(from, end - from) != 0) return -1;
    w->low = low;
    w->size = high - low;
    return 0;
}

static void set_shadow(uintptr_t at, uintptr_t size, unsigned char value);

/* All at once; where the system does not promise so much, what lies around this stack and around one variable. */
static void make_shadow(uintptr_t variable)
{
    uintptr_t here = (uintptr_t)__builtin_frame_address(0), most = (uintptr_t)1 << 24;
    if (shadow_ready) return;
    shadow_ready = 1;
    if (cover(&windows[2], HEAPS_START - 4096, HEAPS_END) == 0) set_shadow(HEAPS_START - 4096, 4096, BESIDE_A_BLOCK);
    if (cover(&windows[0], LOWEST_SEEN, HIGHEST_SEEN) == 0) return;
    if (cover(&windows[0], here - most, here + most / 2 < HIGHEST_SEEN ? here + most / 2 : HIGHEST_SEEN) != 0)
        __builtin_trap();
    if (variable != 0) cover(&windows[1], variable - most / 2, variable + most / 2);
}

__attribute__((constructor(101), used)) static void make_shadow_first(void) { make_shadow(0); }

static inline __attribute__((always_inline)) unsigned char *known(uintptr_t at)
{
    return at - windows[0].low < windows[0].size || at - windows[2].low < windows[2].size ||
           at - windows[1].low < windows[1].size ? shadow_of(at) : NULL;
}

static void set_shadow(uintptr_t at, uintptr_t size, unsigned char value)
{
    volatile unsigned char *to = known(at), *end = known(at + size);
    if (to == NULL || end == NULL) return;
    for (; to < end && ((uintptr_t)to & 7) != 0; to++) *to = value;
    for (; end - to >= 8; to += 8) *(volatile uint64_t *)(uintptr_t)to = value * UINT64_C(0x0101010101010101);
    for (; to < end; to++) *to = value;
}

/* What leaves a function sideways never clears its part of the stack. */
HANDLER __asan_handle_no_return(void)
{
    uintptr_t here = (uintptr_t)__builtin_frame_address(0) & ~(uintptr_t)(GRAIN - 1);
    uintptr_t left = HIGHEST_SEEN - 4096 - here;
    set_shadow(here, left < (1 << 20) ? left : 1 << 20, 0);
}

HANDLER __asan_poison_stack_memory(uintptr_t at, uintptr_t size) { set_shadow(at, size, OUT_OF_SCOPE); }

HANDLER __asan_unpoison_stack_memory(uintptr_t at, uintptr_t size)
{
    set_shadow(at, size & ~(uintptr_t)(GRAIN - 1), 0);
    unsigned char *last = known(at + size);
    if (size % GRAIN != 0 && last != NULL) *last = (unsigned char)(size % GRAIN);
}

/* An array of variable length, or what alloca gave: the compiler leaves room of 32 bytes before it, and at least so much behind. */
HANDLER __asan_alloca_poison(uintptr_t at, uintptr_t size)
{
    uintptr_t end = at + size, whole = end & ~(uintptr_t)(GRAIN - 1);
    uintptr_t room_end = ((end + TAKEN_ROOM - 1) & ~(uintptr_t)(TAKEN_ROOM - 1)) + TAKEN_ROOM;
    set_shadow(at - TAKEN_ROOM, TAKEN_ROOM, BEFORE_TAKEN);
    set_shadow(at, whole - at, 0);
    set_shadow(whole, room_end - whole, BEHIND_TAKEN);
    unsigned char *last = known(whole);
    if (end != whole && last != NULL) *last = (unsigned char)(end - whole);
}

HANDLER __asan_allocas_unpoison(uintptr_t top, uintptr_t bottom)
{
    if (top != 0 && top <= bottom) set_shadow(top, bottom - top, 0);
}

__attribute__((visibility("default"))) void pf_recorder_paint(void *from, long size, int value)
{
    uintptr_t at = (uintptr_t)from;
    if (value == 0) __asan_unpoison_stack_memory(at, (uintptr_t)size);
    else set_shadow(at, ((uintptr_t)size + GRAIN - 1) & ~(uintptr_t)(GRAIN - 1), (unsigned char)value);
}

/* The block of the heap that ends before an address beside it, or begins behind it. */
static int block_near(uintptr_t at, uintptr_t *start, uintptr_t *size)
{
    const unsigned char *s = known(at), *back = s, *on = s;
    while (s - back < 64 && *back >= GRAIN) back--;
    while (on - s < 64 && *on >= GRAIN) on++;
    if (*back >= GRAIN && *on >= GRAIN) return 0;
    if (*back >= GRAIN || (*on < GRAIN && on - s < s - back)) {
        *start = ((uintptr_t)on - SHADOW_OFFSET) << 3;
        while (*on == 0) on++;
        *size = (((uintptr_t)on - SHADOW_OFFSET) << 3) + (*on < GRAIN ? *on : 0) - *start;
        return 1;
    }
    uintptr_t end = (((uintptr_t)back - SHADOW_OFFSET) << 3) + (*back == 0 ? GRAIN : *back);
    if (*back != 0) back--;
    while (*back == 0) back--;
    *start = (((uintptr_t)back + 1 - SHADOW_OFFSET) << 3);
    *size = end - *start;
    return 1;
}

static uintptr_t number_in(const char **text)
{
    uintptr_t value = 0;
    while (**text == ' ') (*text)++;
    while (**text >= '0' && **text <= '9') value = 10 * value + (uintptr_t)(*(*text)++ - '0');
    return value;
}

/* A local variable near an address: the compiler keeps a list of them at the lower end of each frame ("2 32 20 3 a:5 ...":
   how many; of each its place, size, and name with the length of that). */
struct local { uintptr_t start, size; char name[64]; };

static int local_near(uintptr_t at, struct local *found)
{
    const unsigned char *s = known(at), *end = s - FAR_BACK / GRAIN;
    while (s > end && *s != LEFT_OF_FRAME) s--;
    if (s == end) return 0;
    while (s[-1] == LEFT_OF_FRAME) s--;
    const uintptr_t *frame = (const uintptr_t *)(((uintptr_t)s - SHADOW_OFFSET) << 3);
    if (frame[0] != 0x41b58ab3) return 0;
    const char *text = (const char *)frame[1];
    uintptr_t count = number_in(&text), least = UINTPTR_MAX;
    for (uintptr_t k = 0; k < count; k++) {
        uintptr_t start = (uintptr_t)frame + number_in(&text), size = number_in(&text), length = number_in(&text);
        uintptr_t away = at < start ? start - at : at >= start + size ? at - (start + size) : 0, i = 0;
        text++;
        if (away < least) {
            least = away;
            found->start = start;
            found->size = size;
            for (; i < length && text[i] != ':' && i < sizeof found->name - 1; i++) found->name[i] = text[i];
            found->name[i] = 0;
        }
        text += length;
    }
    return least != UINTPTR_MAX;
}

#else
enum { GRAINS = 1 << 21 };
static unsigned char allowed[GRAINS];
static uintptr_t lowest;

static void make_shadow(uintptr_t variable)
{
    if (lowest == 0) lowest = (variable & ~(uintptr_t)(GRAIN - 1)) - (uintptr_t)GRAINS * GRAIN / 2;
}

static inline unsigned char *known(uintptr_t at)
{
    return (at - lowest) / GRAIN < GRAINS ? &allowed[(at - lowest) / GRAIN] : NULL;
}

struct local { uintptr_t start, size; char name[64]; };
static int local_near(uintptr_t at, struct local *found) { (void)at, (void)found; return 0; }
static int block_near(uintptr_t at, uintptr_t *start, uintptr_t *size) { (void)at, (void)start, (void)size; return 0; }
HANDLER __asan_handle_no_return(void) {}
#endif
