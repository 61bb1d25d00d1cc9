/* What scripts and long runs share: one instance of a machine with its own memory. */
#ifndef PF_ENGINE_INSTANCES_H
#define PF_ENGINE_INSTANCES_H
#include "engine_heap.h"

enum { LONGEST_BLOCK = 4096, PAGE = 4096 };

struct memory {
    unsigned char *at;
    int64_t size;
};

/* One instance with its own memory and blocks. */
struct instance {
    struct memory state;
    struct memory in[8], out[8];
    struct pf_heap heap;
};

/* What is put back: state, heap, writable sections. */
struct pf_copy {
    struct memory state, regions;
    struct pf_heap heap;
    unsigned char *blocks;
};

struct memory pf_plain_memory(int64_t size);
int64_t pf_regions_size(const struct pf_job *job);
void pf_copy_script_regions(const struct pf_job *job, unsigned char *to);
void pf_restore_script_regions(const struct pf_job *job, const unsigned char *from);
/* number: 0, or 1 for a second one beside it. */
void pf_prepare_instance(const struct pf_machine *m, struct instance *one, int number);
void pf_start_instance(const struct pf_job *job, const struct pf_machine *m, struct pf_script *s, struct instance *one,
                       int fill);
void pf_end_instance(const struct pf_machine *m, struct pf_script *s, struct instance *one);
/* A script that counts (row > 0). */
void pf_play_counted(const struct pf_job *job, const struct pf_machine *m, struct pf_script *s, struct instance *one);
void pf_fire(const struct pf_job *job, const struct pf_machine *m, struct pf_script *s, struct instance *one,
             const struct pf_happening *e);
int64_t pf_fire_due(const struct pf_job *job, const struct pf_machine *m, struct pf_script *s, struct instance *one,
                    int64_t next, int64_t at);
int64_t pf_stretch_end(const struct pf_script *s, int64_t next, int64_t at, int64_t length, int64_t last);
void pf_note_flags(struct pf_script *s, unsigned flags, int64_t at);
unsigned pf_call_run(const struct pf_job *job, const struct pf_machine *m, struct pf_script *s, struct instance *one,
                     int64_t at, int64_t n, void *const *outputs);
struct pf_copy pf_make_copy(const struct pf_machine *m, int64_t regions);
/* Whether the heap is small enough to be copied. */
int pf_is_copied(const struct instance *one);
void pf_prepare_copies(const struct pf_machine *m, int64_t regions);
/* n samples from `at`; what rises for the first time is noted with its sample. */
void pf_stretch(const struct pf_job *job, const struct pf_machine *m, struct pf_script *s, struct instance *one, int64_t at,
                int64_t n, void *const *outputs);
void pf_long_run(struct pf_job *job);
void pf_watch_allocations(const struct pf_job *job, const struct pf_machine *m);
void pf_watch_script(struct pf_script *s);
#endif
