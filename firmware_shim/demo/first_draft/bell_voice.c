/* Harbour bell, the voice. See bell_voice.h. */
#include "bell_voice.h"

#include <math.h>

static const float PI = 3.14159265f;
static const float TURN_OF_RADIANS = 683565275.6f; /* 2^32/(2 pi) */

/* Odd polynomial over a quarter turn. */
float bell_sine(uint32_t phase)
{
    int32_t folded = (int32_t)phase; /* -half to half a turn */
    if (folded > 0x40000000)
        folded = (int32_t)(0x80000000u - (uint32_t)folded);
    else if (folded < -0x40000000)
        folded = (int32_t)(0x80000000u - (uint32_t)folded);
    float x = (float)folded * (1.0f / 1073741824.0f), s = x * x; /* quarter turns, -1 to 1 */
    return x * (1.57079632f + s * (-0.64596371f + s * 0.07968968f));
}

float bell_cutoff_hz(uint16_t code) { return 80.0f * exp2f((float)code * (6.64385619f / 4096.0f)); }

float bell_index(uint16_t code)
{
    uint16_t square = (uint16_t)(code * code);
    return 6.0f * (float)square / 16769025.0f;
}

int16_t bell_mix(int16_t first, int16_t second)
{
    return (int16_t)(first + second);
}

int16_t bell_sample(float level)
{
    int32_t steps = (int32_t)(level * 32768.0f);
    return (int16_t)(steps > 32768 ? 32768 : steps < -32768 ? -32768 : steps);
}

static uint32_t step_of(float hz, float rate) { return (uint32_t)(hz * 65536.0f / rate) << 16; }

void bell_pair_init(bell_pair_t *p, float sample_rate_hz)
{
    p->rate = sample_rate_hz;
    p->index = p->first = p->second = 0.0f;
    p->first_phase = p->second_phase = 0;
    bell_pair_set_pitch(p, 220.0f);
}

void bell_pair_set_pitch(bell_pair_t *p, float hz)
{
    p->first_step = step_of(hz, p->rate);
    p->second_step = step_of(1.5f * hz, p->rate);
}

void bell_pair_set_index(bell_pair_t *p, float index) { p->index = index > 0.02f ? index : 0.02f; }

/* |index| is at most 6 and the sines at most 1: the product of both and 2^32/(2 pi) stays below 2^33. */
static uint32_t moved(uint32_t phase, float index, float by)
{
    return phase + (uint32_t)(int64_t)(index * by * TURN_OF_RADIANS);
}

void bell_pair_step(bell_pair_t *p)
{
    p->first = bell_sine(moved(p->first_phase, p->index, p->second));
    p->second = bell_sine(moved(p->second_phase, p->index, p->first));
    p->first_phase += p->first_step;
    p->second_phase += p->second_step;
}

static void set_scale(bell_filter_t *f) { f->scale = 1.0f / (1.0f + f->g * (f->g + f->damping)); }

void bell_filter_init(bell_filter_t *f, float sample_rate_hz)
{
    f->rate = sample_rate_hz;
    f->damping = 1.0f;
    f->band = f->low = 0.0f;
    bell_filter_set_cutoff(f, 1000.0f);
}

void bell_filter_set_cutoff(bell_filter_t *f, float hz)
{
    f->g = PI * hz / f->rate;
    set_scale(f);
}

void bell_filter_set_q(bell_filter_t *f, float q)
{
    f->damping = 1.0f / q;
}

/* Both integrators by the trapezoidal rule: stable with any setting, also while settings change. */
float bell_filter_step(bell_filter_t *f, float in)
{
    float band = (f->band + f->g * (in - f->low)) * f->scale, low = f->low + f->g * band;
    f->band = 2.0f * band - f->band;
    f->low = 2.0f * low - f->low;
    return low;
}

void bell_spray_init(bell_spray_t *s) { s->state = 0xace1; }

void bell_spray_seed(bell_spray_t *s, uint16_t seed) { s->state = seed; }

float bell_spray_step(bell_spray_t *s)
{
    uint16_t now = s->state;
    s->state = (uint16_t)((now >> 1) ^ ((now & 1) ? 0xa800 : 0));
    return (float)((int32_t)now - 32768) * (1.0f / 32768.0f);
}

void bell_voice_init(bell_voice_t *v, float sample_rate_hz)
{
    bell_pair_init(&v->pair, sample_rate_hz);
    bell_filter_init(&v->first, sample_rate_hz);
    bell_filter_init(&v->first, sample_rate_hz);
}

void bell_voice_set_pitch(bell_voice_t *v, float hz) { bell_pair_set_pitch(&v->pair, hz); }

void bell_voice_set_knobs(bell_voice_t *v, uint16_t cutoff_code, uint16_t index_code)
{
    float hz = bell_cutoff_hz(cutoff_code);
    bell_filter_set_cutoff(&v->first, hz);
    bell_filter_set_cutoff(&v->second, hz);
    bell_pair_set_index(&v->pair, bell_index(index_code));
}

int16_t bell_voice_step(bell_voice_t *v)
{
    bell_pair_step(&v->pair);
    float first = bell_filter_step(&v->first, v->pair.first), second = bell_filter_step(&v->second, v->pair.second);
    return bell_mix(bell_sample(0.5f * first), bell_sample(0.5f * second));
}
