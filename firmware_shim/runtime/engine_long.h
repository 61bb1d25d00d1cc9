/* Long runs of one script, period after period: plain declarations, compiled by the C compiler and read verbatim by cffi. */

/* What periods said so far. others: with other bits than the base, the first of them; open: samples that the reference cannot
   tell, period and sample of the first; worst: largest difference within the limit. */
struct pf_said {
    int64_t others, first_other, open, open_period, open_sample;
    double worst;
};

/* State and writable sections at the end of a period, in a file that outlives the run. `done` is written last: 0 for a slot that
   holds nothing. The check sum covers all that follows it. Behind the head: the state, then what the sections differ in from
   what the loader put there (so that an address which nobody changed is a zero). */
struct pf_slot {
    int64_t done;
    uint32_t sum, spare;
    int64_t again, base;
    struct pf_said said;
};

/* slot 0: the period that the others are compared with; slot k: after k * every periods; the last one: where it stopped.
   from, check: the slot to go on from, and the one to run once more up to the next slot; -1 for none. */
struct pf_kept {
    unsigned char *slot;
    int64_t slot_bytes, slots, every, from, check;
};

enum { PF_AFRESH, PF_TAKEN_UP, PF_OTHER_START, PF_NOT_REPEATED };

/* One script over and over, for hours. Each period must be the one numbered `base` again: the second (where a limit is given), or
   the first that is like the one before it; else the one numbered settle_most, and the outputs do not repeat. Where bits
   differ: within a limit per output (negative: none is given), or between the reference's ends of an output: right for
   sure, or out for sure. told: samples run so far; whether to end. The clock ends it after `least` periods. */
struct pf_long {
    int64_t periods, least, settle_most, judged_from;
    double limit[8], scale[8], wall_seconds;
    const double *sure_low[8], *sure_high[8], *out_low[8], *out_high[8]; /* NULL: no reference */
    int64_t *told;
    struct pf_kept *kept; /* NULL: nothing is kept */
    int64_t done, base, repeats[8];
    struct pf_said said;
    int64_t period, sample, output;      /* of the first wrong sample, -1 for none */
    int64_t by_reference;                /* it lies outside the reference's ends */
    double got, wanted, seconds;
    int64_t flag_period[5], flag_sample[5];
    int64_t late_period, late_sample;    /* first memory taken after init */
    int64_t start, addresses;            /* PF_AFRESH ...; whether the memory holds addresses, so that it cannot be taken up */
    int64_t region_size;
    unsigned char *state_base, *state_before, *state_now; /* state, then sections, at the end of the base and the last two */
};
