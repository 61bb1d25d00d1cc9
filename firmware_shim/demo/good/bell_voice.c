/* Harbour bell, the voice. See bell_voice.h. */
#include "bell_voice.h"

#include <math.h>

static const float PI = 3.14159265f;
static const float TURN_OF_RADIANS = 683565275.6f; /* 2^32/(2 pi) */

/* Odd polynomial over a quarter turn (C. Hastings, Approximations for Digital Computers, 1955); folded into it first. */
float bell_sine(uint32_t phase)
{
    int32_t folded = (int32_t)phase; /* -half to half a turn */
    if (folded > 0x40000000)
        folded = (int32_t)(0x80000000u - (uint32_t)folded);
    else if (folded < -0x40000000)
        folded = (int32_t)(0x80000000u - (uint32_t)folded);
    float x = (float)folded * (1.0f / 1073741824.0f), s = x * x; /* quarter turns, -1 to 1 */
    float y = x * (1.57079632f + s * (-0.64596371f + s * (0.07968968f + s * (-0.00467377f + s * 0.00015148f))));
    return y > 1.0f ? 1.0f : y < -1.0f ? -1.0f : y;
}

float bell_cutoff_hz(uint16_t code) { return 80.0f * exp2f((float)code * (6.64385619f / 4095.0f)); }

float bell_index(uint16_t code)
{
    float travel = (float)code / 4095.0f;
    return 6.0f * (travel * travel);
}

int16_t bell_mix(int16_t first, int16_t second)
{
    int32_t sum = (int32_t)first + second;
    return (int16_t)(sum > 32767 ? 32767 : sum < -32768 ? -32768 : sum);
}

int16_t bell_sample(float level)
{
    float steps = rintf(level * 32768.0f);
    return (int16_t)(steps > 32767.0f ? 32767.0f : steps < -32768.0f ? -32768.0f : steps);
}

static uint32_t step_of(float hz, float rate) { return (uint32_t)(int64_t)((double)hz * 4294967296.0 / (double)rate + 0.5); }

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

void bell_pair_set_index(bell_pair_t *p, float index) { p->index = index; }

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
    f->g = tanf(PI * hz / f->rate);
    set_scale(f);
}

void bell_filter_set_q(bell_filter_t *f, float q)
{
    f->damping = 1.0f / q;
    set_scale(f);
}

/* Both integrators by the trapezoidal rule: stable with any setting, also while settings change. */
float bell_filter_step(bell_filter_t *f, float in)
{
    float band = (f->band + f->g * (in - f->low)) * f->scale, low = f->low + f->g * band;
    f->band = 2.0f * band - f->band;
    f->low = 2.0f * low - f->low;
    if (fabsf(f->band) < 1e-9f && fabsf(f->low) < 1e-9f)
        f->band = f->low = 0.0f; /* -180 dB: nobody hears that tail, and it must not become subnormal */
    else if (fabsf(f->band) < 1e-20f)
        f->band = 0.0f; /* at rest under a constant input, too */
    return low;
}

void bell_spray_init(bell_spray_t *s) { s->state = 0xace1; }

void bell_spray_seed(bell_spray_t *s, uint16_t seed) { s->state = seed != 0 ? seed : 0xace1; /* 0 would stay 0 */ }

float bell_spray_step(bell_spray_t *s)
{
    uint16_t now = s->state;
    s->state = (uint16_t)((now >> 1) ^ ((now & 1) ? 0xb400 : 0)); /* all 65535 states but 0 */
    return (float)((int32_t)now - 32768) * (1.0f / 32768.0f);
}

void bell_voice_init(bell_voice_t *v, float sample_rate_hz)
{
    bell_pair_init(&v->pair, sample_rate_hz);
    bell_filter_init(&v->first, sample_rate_hz);
    bell_filter_init(&v->second, sample_rate_hz);
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
