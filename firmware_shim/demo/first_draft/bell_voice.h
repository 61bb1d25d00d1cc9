/* Harbour bell, the voice: two oscillators that move each other's phase, a filter for each, knobs, mix, output.
 *
 * The harbour bell is an invented instrument; its circuit, numbers and code are made up for this demonstration.
 * Each part with a state has an init and a step that makes one sample; knobs come from a 12-bit converter.
 */
#ifndef BELL_VOICE_H
#define BELL_VOICE_H

#include <stdint.h>

/* Sine of a 32-bit phase (2^32 is one turn), full scale 1. */
float bell_sine(uint32_t phase);

/* Knobs: filter cutoff 80 to 8000 Hz over equal ratios; index 0 to 6 radians, fine at its low end. */
float bell_cutoff_hz(uint16_t code);
float bell_index(uint16_t code);

/* Both voices in Q15, added without wrapping; and a level as a 16-bit sample. */
int16_t bell_mix(int16_t first, int16_t second);
int16_t bell_sample(float level);

/* Two sines, the second a fifth above the first (3/2), each moving the other's phase by index radians. */
typedef struct {
    float rate, index, first, second;
    uint32_t first_phase, second_phase, first_step, second_step;
} bell_pair_t;
void bell_pair_init(bell_pair_t *p, float sample_rate_hz);
void bell_pair_set_pitch(bell_pair_t *p, float hz);
void bell_pair_set_index(bell_pair_t *p, float index);
void bell_pair_step(bell_pair_t *p);

/* Low pass of 12 dB per octave with resonance; one for each oscillator. */
typedef struct {
    float rate, g, damping, scale, band, low;
} bell_filter_t;
void bell_filter_init(bell_filter_t *f, float sample_rate_hz);
void bell_filter_set_cutoff(bell_filter_t *f, float hz);
void bell_filter_set_q(bell_filter_t *f, float q);
float bell_filter_step(bell_filter_t *f, float in);

/* Spray: a shift register of 16 bits, -1 to 1. */
typedef struct {
    uint16_t state;
} bell_spray_t;
void bell_spray_init(bell_spray_t *s);
void bell_spray_seed(bell_spray_t *s, uint16_t seed);
float bell_spray_step(bell_spray_t *s);

/* The whole voice: pair, filters, mix, output. */
typedef struct {
    bell_pair_t pair;
    bell_filter_t first, second;
} bell_voice_t;
void bell_voice_init(bell_voice_t *v, float sample_rate_hz);
void bell_voice_set_pitch(bell_voice_t *v, float hz);
void bell_voice_set_knobs(bell_voice_t *v, uint16_t cutoff_code, uint16_t index_code);
int16_t bell_voice_step(bell_voice_t *v);

#endif
