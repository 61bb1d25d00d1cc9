/* Harbour bell, parts that live in time: strike, ring, wind, gate, lamp, glide.
 *
 * The harbour bell is an invented instrument; its circuit, numbers and code are made up for this demonstration.
 * Each part has a state that the caller owns, an init, and a step that makes one sample. No part shares memory.
 */
#ifndef BELL_TIME_H
#define BELL_TIME_H

#include <stdint.h>

/* Strike envelope: a straight attack to 1, then an exponential decay (60 dB in the decay time) to silence. */
typedef struct {
    float rate, level, attack_seconds, decay_seconds, step, ratio;
    int phase;
} bell_strike_t;
void bell_strike_init(bell_strike_t *s, float sample_rate_hz);
void bell_strike_set_attack(bell_strike_t *s, float seconds);
void bell_strike_set_decay(bell_strike_t *s, float seconds);
void bell_strike_hit(bell_strike_t *s);
float bell_strike_step(bell_strike_t *s);

/* The same attack and a straight decay in Q15, for the lamp driver: 0 to 32767. */
typedef struct {
    int32_t level, up, down;
    int phase;
} bell_strike_q15_t;
void bell_strike_q15_init(bell_strike_q15_t *s, float sample_rate_hz);
void bell_strike_q15_hit(bell_strike_q15_t *s);
int16_t bell_strike_q15_step(bell_strike_q15_t *s);

/* Wind speed, smoothed by a one-pole of 50 ms, in float and in Q31. */
typedef struct {
    float level, carry, coefficient;
} bell_wind_t;
void bell_wind_init(bell_wind_t *w, float sample_rate_hz);
float bell_wind_step(bell_wind_t *w, float wind);
void bell_wind_block(bell_wind_t *w, const float *wind, float *smooth, int n);

typedef struct {
    int64_t level; /* Q31 with 31 more fraction bits, so that the last step is reached */
    int32_t coefficient;
} bell_wind_q31_t;
void bell_wind_q31_init(bell_wind_q31_t *w, float sample_rate_hz);
int32_t bell_wind_q31_step(bell_wind_q31_t *w, int32_t wind);

/* Shutter position: follows its target by at most 4 per second. */
typedef struct {
    float position, step;
} bell_shutter_t;
void bell_shutter_init(bell_shutter_t *s, float sample_rate_hz);
float bell_shutter_step(bell_shutter_t *s, float target);

/* Strike gate: on from 1.6 V, off from 1.2 V, each pulse at least 2 ms. */
typedef struct {
    uint32_t left, least;
    int on;
} bell_gate_t;
void bell_gate_init(bell_gate_t *g, float sample_rate_hz);
int bell_gate_step(bell_gate_t *g, float volts);

/* Lamp: full at each strike, held for 0.1 s, then fading by 60 dB in a second. */
typedef struct {
    float level, ratio;
    uint32_t left, hold;
} bell_lamp_t;
void bell_lamp_init(bell_lamp_t *l, float sample_rate_hz);
void bell_lamp_hit(bell_lamp_t *l);
float bell_lamp_step(bell_lamp_t *l);

/* Note quantiser: keeps its semitone until the voltage is 5 mV beyond the semitone's span. */
typedef struct {
    int semitone;
} bell_notes_t;
void bell_notes_init(bell_notes_t *q);
int bell_notes_step(bell_notes_t *q, float volts);

/* Glide in the log domain: moves the pitch voltage with a time constant of 30 ms. */
typedef struct {
    float volts, carry, coefficient;
} bell_glide_t;
void bell_glide_init(bell_glide_t *g, float sample_rate_hz);
float bell_glide_step(bell_glide_t *g, float volts);

#endif
