/* What a long run and the keeping of its state share. */
#ifndef PF_ENGINE_LONG_PARTS_H
#define PF_ENGINE_LONG_PARTS_H
#include "engine_instances.h"

/* loaded: the writable sections as the loader left them; checking: a kept stretch is run once more. */
struct long_memory {
    const struct pf_job *job;
    const struct pf_machine *m;
    struct instance *one;
    unsigned char *loaded;
    int checking;
};

/* The base period is over: the state is kept there, or compared with what is kept there and taken up further on. */
void pf_keep_first(struct long_memory *k);
/* Keep the state after the last period, where a slot stands for it or where the run ends. */
void pf_keep(struct long_memory *k, int at_the_end);
/* Whether a stretch run once more has come to its end; the run then goes on from the furthest slot (or is given up). */
int pf_is_repeated(struct long_memory *k);
#endif
