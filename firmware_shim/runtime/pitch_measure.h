/* How the pitch of a rendered signal is measured; see pitch_measure.c. */
#ifndef PF_PITCH_MEASURE_H
#define PF_PITCH_MEASURE_H

struct pf_voice_event {
    long which;
    const void *const *arguments;
};

/* A machine's generated functions, and what is done with it. types: of its outputs, as the engine numbers them; hz_per_unit:
   what the argument's unit is in Hz; skip: samples before the measured ones; doubt_cents: own error allowed to the method. */
struct pf_voice {
    long (*size)(void);
    void (*init)(void *memory, double rate_hz);
    void (*event)(void *memory, long which, const void *const *arguments);
    void (*run)(void *memory, const void *const *inputs, void *const *outputs, long n, volatile long *progress);
    void (*destroy)(void *memory);
    const struct pf_voice_event *before;
    const int *types;
    long befores, which, outputs, measured, skip;
    double rate_hz, hz_per_unit, doubt_cents;
};

__attribute__((visibility("hidden"))) double pf_voice_hz(const struct pf_voice *voice, const void *argument, double value);
#endif
