/* A program beside the engine, which runs the firmware for it: started by the contained child, and ended with it. */
#ifndef PF_ENGINE_PROCESS_H
#define PF_ENGINE_PROCESS_H
#include <stdint.h>
#include <sys/types.h>

/* Descriptors in the program: shared memory, where requests come from, where answers go. */
enum { PF_PROCESS_MEMORY = 3, PF_PROCESS_IN = 4, PF_PROCESS_OUT = 5 };

struct pf_process {
    int to, from;
    pid_t child, started_by;
};

int pf_process_running(const struct pf_process *process);
/* 0 when it started; words: its command line, the path first. */
int pf_process_start(struct pf_process *process, char *const *words, int memory);
int pf_process_await(const struct pf_process *process, const volatile int32_t *told, volatile long *progress);
int pf_process_ask(const struct pf_process *process, const volatile int32_t *told, volatile long *progress);
int pf_process_status(const struct pf_process *process);
void pf_process_finish(const struct pf_process *process);
#endif
