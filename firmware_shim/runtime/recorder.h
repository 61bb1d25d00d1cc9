/* What the strict build records: plain declarations, read verbatim by cffi. Include once. */

/* A value as the check saw it. bits: raw, sign-extended for signed integers, low 64 bits of wider
   ones; width_bits 0 and form 0: not known. form: 1 signed integer, 2 unsigned integer, 3 binary
   floating point (bits are its encoding), 4 an address or a count. */
struct pf_operand {
    uint64_t bits;
    int32_t width_bits;
    int32_t form;
};

/* One distinct place and kind. position: position[0] + position[1] (index in the block, first ordinal of
   the block) at the first event, -1 if none was attached.
   file: the tail of the path, zero-terminated; kind: plain words, zero-terminated. */
struct pf_event {
    int64_t count;
    int64_t position;
    struct pf_operand operand[2];
    int32_t operands;
    int32_t code;
    uint32_t line;
    uint32_t column;
    char kind[48];
    char file[128];
};

/* used: entries filled; lost: events of further places once all entries were taken. */
struct pf_events {
    int64_t used;
    int64_t lost;
    struct pf_event event[64];
};

void pf_recorder_attach(struct pf_events *table, volatile long *position);
