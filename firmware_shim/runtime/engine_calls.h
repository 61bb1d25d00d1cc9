/* The heap of functions. */
#ifndef PF_ENGINE_CALLS_H
#define PF_ENGINE_CALLS_H
#include "engine_parts.h"

void pf_calls_begin(const struct pf_job *job);
/* Before each call of a loop. */
void pf_calls_enter(const struct pf_job *job, int phase);
/* Before and after a block that is looked at; spare: room for its results. */
void pf_calls_before(const struct pf_job *job);
void pf_calls_after(const struct pf_job *job, const struct pf_block *block, void *spare);
#endif
